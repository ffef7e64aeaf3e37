"""Forms of the waste pages."""

from collections.abc import Sequence
from typing import Any

from django import forms

from shop.planning.waste_streams import STREAM_NAMES, stream_of
from shop.web.plain_form import PlainForm, amount_field, day_field


class PourForm(PlainForm):
    """Old fluid poured in outside a job."""

    stream = forms.ChoiceField(
        label="What is poured", choices=[("", "choose"), *((name, name) for name in STREAM_NAMES)]
    )
    litres = amount_field("How much", "L", is_needed=True)
    note = forms.CharField(label="From where", max_length=200, required=False)


class DipForm(PlainForm):
    """A container's level as it was seen."""

    level_l = amount_field("Level now", "L", is_needed=True)
    note = forms.CharField(label="How it was taken, why the books were off", max_length=200)


class ContainerForm(PlainForm):
    """A container; an existing one keeps its depot and stream."""

    depot = forms.ChoiceField(label="Depot")
    stream = forms.ChoiceField(label="Stream", choices=[(name, name) for name in STREAM_NAMES])
    place = forms.CharField(label="Where it stands and what it is", max_length=60, required=False)
    waste_code = forms.CharField(
        label="Waste code", max_length=16, required=False, widget=forms.TextInput(attrs={"list": "waste-codes"}),
        help_text="Offered, not decided here: the collector confirms it.",
    )  # fmt: skip
    capacity_l = amount_field("Capacity to the brim", "L", is_needed=True)
    mean_per_day_l = amount_field("Fills by a day, until learned", "L", is_needed=True)
    sd_per_day_l = amount_field("Spread of that", "L", is_needed=True)
    collector_lead_days = forms.IntegerField(
        label="Collector's lead, days", min_value=0, max_value=365,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "class": "figure"}),
    )  # fmt: skip

    def __init__(self, *args: Any, depots: Sequence[str], is_held: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["depot"].choices = [(code, code) for code in depots]
        if is_held:
            del self.fields["depot"], self.fields["stream"]

    def codes(self) -> list[str]:
        """Return the codes offered: those of the stream chosen, or of all."""
        names = [self.initial["stream"]] if "stream" in self.initial else STREAM_NAMES
        streams = [stream for name in names if (stream := stream_of(name))]
        return [f"{one.code}" for stream in streams for one in stream.codes]


class CallForm(PlainForm):
    """Whom to call for which containers of one depot."""

    collector = forms.ModelChoiceField(None, label="Collector", empty_label="choose the collector")
    expected_on = day_field("Expected on", is_needed=False)
    note = forms.CharField(
        label="Agreed, if below his minimum", max_length=200, required=False, widget=forms.TextInput()
    )

    def __init__(self, *args: Any, collectors: Any, containers: Sequence[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["collector"].queryset = collectors
        self.fields["collector"].label_from_instance = _collector_words
        usual = [own.pk for own in collectors if own.is_collector]
        if len(usual) == 1:
            self.fields["collector"].initial = usual[0]
        self.containers = containers
        for own in containers:
            tank = own.tank
            field = amount_field(
                f"{tank.stream} ({tank.level_l:g} L in it)", "L expected", most=tank.capacity_l
            )
            self.fields[f"litres_{tank.pk}"] = field

    def wanted(self) -> list[tuple[Any, float]]:
        """Return the containers with litres beside them."""
        return [
            (own.tank, litres)
            for own in self.containers
            if (litres := self.cleaned_data.get(f"litres_{own.tank.pk}"))
        ]


class HandOverForm(PlainForm):
    """What was taken, and the paper of it."""

    def __init__(self, *args: Any, lines: Sequence[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = lines
        for line in lines:
            self.fields[f"litres_{line.pk}"] = amount_field(f"{line.stream} taken", "L", is_needed=True)
            self.fields[f"kg_{line.pk}"] = amount_field(f"{line.stream} weighed", "kg")
        self.fields["collected_on"] = day_field("Collected on")
        self.fields["paper_number"] = forms.CharField(label="Number of the transfer note", max_length=60)
        self.fields["receipt"] = forms.CharField(
            label="Driver, vehicle, receipt", max_length=200, required=False
        )


class CancelForm(PlainForm):
    """Why a visit is not made."""

    note = forms.CharField(label="Why it is not made", max_length=200)


def _collector_words(collector: Any) -> str:
    least = f", from {collector.minimum_l:g} L on" if collector.minimum_l else ""
    return (
        f"{collector.name}{least}{'' if collector.is_collector else ' (sells fluid, has not collected yet)'}"
    )
