"""Forms: what a person types, checked before a service sees it."""

import datetime
import itertools
from collections.abc import Sequence
from typing import Any

from django import forms

from shop.models import Job, Meter, UnitModel
from shop.selectors.fluid_checks import CoolantAsked
from shop.services.job_report import BOILING_RANGE_C
from shop.web.measuring_forms import MeasuredFields
from shop.web.plain_form import PlainForm, amount_field


def _share(per_cent: float | None) -> float | None:
    return None if per_cent is None else per_cent / 100.0


ONLY_FOR = {
    "product_in_l": UnitModel.Kind.COOLING,
    "strength_found_share": UnitModel.Kind.COOLING,
    "strength_left_share": UnitModel.Kind.COOLING,
    "strength_by": UnitModel.Kind.COOLING,
    "boiling_found_c": UnitModel.Kind.BRAKES,
    "boiling_left_c": UnitModel.Kind.BRAKES,
}
"""Fields of a job that only one kind of unit has."""


class CoolantForm(PlainForm):
    """What the strength sum of a cooling system starts from; empty fields keep what the records say."""

    found = amount_field("Strength found", "%", 0, 100)
    wanted = amount_field("Strength wanted", "%", 0, 100)
    drained = amount_field("Drained", "L")

    def asked(self) -> CoolantAsked:
        """Return what was typed, as shares and litres; a field that is wrong counts as empty."""
        typed = getattr(self, "cleaned_data", {})
        return CoolantAsked(_share(typed.get("found")), _share(typed.get("wanted")), typed.get("drained"))


class JobForm(MeasuredFields, PlainForm):
    """A finished job as it happened; its fields are those of the job report."""

    subject = forms.ChoiceField(label="What was done")
    method = forms.ChoiceField(label="How", required=False)
    done_on = forms.DateField(label="Day", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    meter_text = forms.CharField(
        max_length=32,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )
    hours_text = forms.CharField(
        max_length=32,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )
    out_l = amount_field("Came out", "L")
    out_temp_c = amount_field("Its temperature", "°C", -40, 160)
    out_kg = amount_field("Or weighed", "kg")
    in_l = amount_field("Went in", "L")
    in_temp_c = amount_field("Its temperature", "°C", -40, 160)
    in_kg = amount_field("Or weighed", "kg")
    product_in_l = amount_field("Of it concentrate or ready mix, the rest water", "L")
    strength_found_share = amount_field("Strength found, glycol by volume", "%", 0, 100)
    strength_left_share = amount_field("Strength left", "%", 0, 100)
    strength_by = forms.ChoiceField(
        label="Strength measured with",
        required=False,
        choices=[("", "not measured"), *((way, way) for way in Job.StrengthBy.values)],
    )
    boiling_found_c = amount_field("Boiling point found", "°C", *BOILING_RANGE_C)
    boiling_left_c = amount_field("Boiling point left", "°C", *BOILING_RANGE_C)
    batch = forms.CharField(
        label="Batch or pack label",
        max_length=40,
        required=False,
        help_text="Empty: the pack that expires first.",
    )
    level_temp_c = amount_field("Fluid temperature at the level check", "°C", -40, 160)
    level_reading_mm = amount_field("Level against the mark", "mm", None)
    level_reason = forms.CharField(
        label="Or why there is no level reading",
        max_length=120,
        required=False,
        help_text="E.g. level plug: fluid at the edge.",
    )
    is_repeated = forms.BooleanField(
        label="Done once more on the same day",
        required=False,
        help_text="Only if the same was closed already today and really done again.",
    )
    is_rinsed = forms.BooleanField(label="Drained and rinsed first, as the maker says", required=False)
    leak_checked = forms.BooleanField(label="Looked for leaks, hot", required=False)
    road_tested = forms.BooleanField(label="Road test done", required=False)
    road_test_reason = forms.CharField(label="Or why there was no road test", max_length=120, required=False)
    done_by = forms.CharField(label="Done by", max_length=150)
    checked_by = forms.CharField(
        label="Checked by", max_length=150, required=False, help_text="A second person, where one is needed."
    )
    note = forms.CharField(
        label="Found or changed", required=False, widget=forms.Textarea(attrs={"rows": 3}), max_length=2000
    )

    GROUPS = [
        ("The job", ["subject", "method", "done_on", "meter_text", "hours_text"]),
        ("Came out", ["out_l", "out_temp_c", "out_kg"]),
        ("Went in", ["in_l", "in_temp_c", "in_kg", "product_in_l", "batch", "is_rinsed"]),
        ("Coolant strength", ["strength_found_share", "strength_left_share", "strength_by"]),
        ("Boiling point", ["boiling_found_c", "boiling_left_c"]),
        ("Level", ["level_temp_c", "level_reading_mm", "level_reason"]),
        ("Before it leaves", ["leak_checked", "road_tested", "road_test_reason"]),
        ("Who", ["done_by", "checked_by", "note", "is_repeated"]),
    ]

    def __init__(
        self,
        *args: Any,
        subjects: Sequence[str],
        methods: Sequence[str],
        meters: Sequence[str],
        today: datetime.date,
        unit_kind: str,
        rinse: str,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        if rinse:
            self.fields["is_rinsed"].help_text = rinse
        else:
            del self.fields["is_rinsed"]
        for name, kind in ONLY_FOR.items():
            if unit_kind != kind:
                del self.fields[name]
        self.fields["subject"].choices = [(subject, subject) for subject in subjects]
        for name, kind in itertools.zip_longest(("meter_text", "hours_text"), meters):
            if kind is None:
                del self.fields[name]
            else:
                self.fields[name].label = f"{kind.capitalize()}, as the meter shows"
        self.fields["method"].choices = [("", "no fluid changed")] + [(name, name) for name in methods]

    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """Return the fields in the order of the work."""
        return [
            (title, [self[name] for name in names if name in self.fields])
            for title, names in self.GROUPS
            if any(name in self.fields for name in names)
        ]

    def clean_strength_found_share(self) -> float | None:
        """Return the strength as a share; it is typed in per cent."""
        return _share(self.cleaned_data["strength_found_share"])

    def clean_strength_left_share(self) -> float | None:
        """Return the strength as a share; it is typed in per cent."""
        return _share(self.cleaned_data["strength_left_share"])

    def clean_done_on(self) -> datetime.date:
        """Refuse a day that has not come yet."""
        done_on: datetime.date = self.cleaned_data["done_on"]
        if done_on > self.today:
            raise forms.ValidationError(f"{done_on} has not come yet. Write today's day or an earlier one.")
        return done_on


class ReadingForm(PlainForm):
    """One reading of one meter as somebody read it."""

    vehicle = forms.CharField(
        label="Vehicle number", max_length=24, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    meter = forms.ChoiceField(
        label="Meter",
        required=False,
        choices=[("", "its only meter"), *((kind, kind) for kind in Meter.Kind.values)],
    )
    value = forms.CharField(
        label="What the meter shows",
        max_length=32,
        help_text="Exactly as it stands there, in its own unit: 97100, 5180.7 or 1234:30.",
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )

    def choose_meter(self, meters: Sequence[Any]) -> Any | None:
        """Return the meter meant among a vehicle's meters, or None with the reason beside the field."""
        if not meters:
            self.add_error(
                "vehicle", "There is no such vehicle with a meter in your depots. Check the number."
            )
            return None
        wanted = self.cleaned_data["meter"]
        fitting = [meter for meter in meters if wanted in ("", meter.kind)]
        if len(fitting) == 1:
            return fitting[0]
        has = " and ".join(meter.kind for meter in meters)
        self.add_error("meter", f"This vehicle has {has}. Choose one of them.")
        return None
