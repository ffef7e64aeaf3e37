"""Forms about measuring: what a job was measured with, a laboratory sample, a tool."""

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from intervals.exchange.sampling import CONTENT_SD_SHARE
from shop.selectors.measuring import LIMIT_UNITS, TOOL_KINDS
from shop.web.plain_form import PlainForm, amount_field, day_field

_TOOLS = ("tray", "jug", "scale", "stick")


class MeasuredFields(forms.Form):
    """The part of a job's form that notes what it was measured with, so that the next card can be better."""

    tray = forms.ChoiceField(label="Tray read", required=False)
    jug = forms.ChoiceField(label="Jug read", required=False)
    scale = forms.ChoiceField(label="Scale", required=False)
    stick = forms.ChoiceField(label="Stick", required=False)
    drain_minutes = amount_field("Plug out until the tray was read", "min")
    drain_start_c = amount_field("Fluid when the plug came out", "°C", -40, 160)
    shed_c = amount_field("Shed", "°C", -40, 60)
    arrival_mm = amount_field("Stick on arrival, against its mark", "mm", None)
    arrival_temp_c = amount_field("Fluid then", "°C", -40, 160)
    moved_ml = amount_field("Measured correction, taken out below zero", "mL", None)
    moved_from_mm = amount_field("Stick just before it", "mm", None)
    moved_to_mm = amount_field("Stick just after it", "mm", None)

    MEASURED = [
        ("Measured with", list(_TOOLS)),
        (
            "For the next card, where it was looked at",
            ["drain_minutes", "drain_start_c", "shed_c", "arrival_mm", "arrival_temp_c", "moved_ml", "moved_from_mm",
             "moved_to_mm"],
        ),
    ]  # fmt: skip

    def measured_groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """Return what may be noted for the next card, folded away until it is wanted."""
        return [
            (title, [self[name] for name in names if name in self.fields]) for title, names in self.MEASURED
        ]

    @property
    def has_measured(self) -> bool:
        """Say whether any of it is filled in or marked, so that it has to be seen."""
        names = {name for _, fields in self.MEASURED for name in fields} & self.fields.keys()
        return any(name in self.errors or self[name].value() for name in names)

    def offer_tools(self, tools: Mapping[str, Sequence[Any]]) -> None:
        """Offer the tools of each kind; a kind with none is not asked about."""
        for kind in _TOOLS:
            offered = tools.get(kind, ())
            if not offered:
                del self.fields[kind]
                continue
            self.fields[kind].choices = [("", "not noted"), *((tool.code, _named(tool)) for tool in offered)]


def _named(tool: Any) -> str:
    return tool.code if tool.limit is None else f"{tool.code}, ± {tool.limit:g} {tool.limit_unit}"


class SampleForm(PlainForm):
    """A laboratory's report on one element before, in the new fluid and after a job."""

    job = forms.ChoiceField(label="After which job")
    taken_on = day_field("Taken on")
    element = forms.CharField(
        label="Element, as the report names it", max_length=12, help_text="E.g. Ca, Zn or P."
    )
    before_mg_kg = amount_field("In the old fluid", "mg/kg", is_needed=True)
    new_mg_kg = amount_field("In the new fluid", "mg/kg", is_needed=True)
    after_mg_kg = amount_field("After the job, hot after a drive", "mg/kg", is_needed=True)
    sd_percent = amount_field("The laboratory's own spread of one content", "%", 0.01, 50)
    laboratory_ref = forms.CharField(label="The laboratory's report number", max_length=40)
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, jobs: Sequence[Any], today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["job"].choices = [
            (job.code, f"{job.done_on:%d %b %Y}, {job.method or 'fluid'} ({job.code})") for job in jobs
        ]
        self.fields["sd_percent"].help_text = f"Empty: {100 * CONTENT_SD_SHARE:g} %."

    def report_values(self) -> dict[str, Any]:
        """Return the values of a sample report; the job is not one of them."""
        values = {
            name: value for name, value in self.cleaned_data.items() if name not in ("job", "sd_percent")
        }
        if (percent := self.cleaned_data["sd_percent"]) is not None:
            values["sd_share"] = percent / 100.0
        return values


class ToolForm(PlainForm):
    """A tray, jug, scale or stick."""

    code = forms.CharField(label="Code, as written on it", max_length=12)
    depot = forms.ChoiceField(label="Depot")
    kind = forms.ChoiceField(label="Kind", choices=TOOL_KINDS)
    limit = amount_field("Error limit", "±")
    limit_unit = forms.ChoiceField(label="Limit in", choices=LIMIT_UNITS)
    calibrated_until = day_field("Calibrated until", is_needed=False)
    reading_error_percent = amount_field("Known to read too much by, below zero too little", "%", -50, 50)
    is_out_of_use = forms.BooleanField(label="Out of use", required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, depots: Sequence[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["depot"].choices = [(code, code) for code in depots]
        self.fields[
            "reading_error_percent"
        ].help_text = "(read − true)/read. Empty: not known. Readings from today on are corrected by it."
