"""How hard a unit's duty is."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.fields import Number
from shop.models import SeverityFactor, Unit
from shop.selectors.severity_page import SeverityPage
from shop.services.severity import COLDEST_C, HOTTEST_C, LEAST_FACTOR, MOST_FACTOR


class FactorGiven(serializers.Serializer[SeverityFactor]):
    """One more reason a unit wears its fluid faster or slower."""

    reason = serializers.CharField(max_length=80)
    factor = Number(min_value=LEAST_FACTOR, max_value=MOST_FACTOR)
    source = serializers.CharField(max_length=200, help_text="Who says so.")
    applies_from = serializers.DateField(
        help_text="First day it counts; what was run before keeps the old ones."
    )


class EndGiven(serializers.Serializer[SeverityFactor]):
    """The end of a factor."""

    ends_on = serializers.DateField(help_text="First day it no longer counts.")


class FactorRow(serializers.ModelSerializer[SeverityFactor]):
    """A severity factor with its days."""

    entered_by = serializers.CharField(default=None, read_only=True, allow_null=True)
    ended_by = serializers.CharField(default=None, read_only=True, allow_null=True)

    class Meta:
        model = SeverityFactor
        fields = (
            "id",
            "reason",
            "factor",
            "basis",
            "source",
            "applies_from",
            "ends_on",
            "entered_by",
            "ended_by",
        )
        read_only_fields = fields


class Band(serializers.Serializer[Any]):
    """Running hours with the fluid at about one temperature."""

    temp_c = Number(min_value=COLDEST_C, max_value=HOTTEST_C, help_text="Middle of the band, °C.")
    hours = Number(min_value=0, max_value=744)


class HoursGiven(serializers.Serializer[Any]):
    """A month of a unit's running hours by fluid temperature."""

    month = serializers.DateField(help_text="First day of a month that is over.")
    bands = Band(many=True)
    unseen_h = Number(
        default=None,
        allow_null=True,
        min_value=0,
        max_value=744,
        help_text="Running hours the sensor did not see.",
    )


class MonthRow(HoursGiven):
    """A month on record."""


class StretchRow(serializers.Serializer[Any]):
    """A stretch of the run since the last job."""

    begins = serializers.DateField(allow_null=True, help_text="None: from the last job.")
    severity = serializers.FloatField()
    run = serializers.FloatField()
    counts_as = serializers.FloatField()
    unit = serializers.CharField()


class SeverityRow(serializers.Serializer[Unit]):
    """A unit's severity today and what it rests on."""

    unit = serializers.CharField()
    severity = serializers.FloatField(help_text="Divides distance and hour intervals, never the calendar.")
    basis = serializers.ChoiceField(choices=["measured", "duty", "none"])
    stretches = StretchRow(many=True)
    factors = FactorRow(many=True)
    months = MonthRow(many=True)
    proposal = serializers.CharField(help_text="What the temperature hours propose, in a sentence.")
    proposed = serializers.ChoiceField(choices=["use", "end", "nothing"])
    proposed_severity = serializers.FloatField(allow_null=True)
    proposed_from = serializers.DateField(allow_null=True)


def severity_row(page: SeverityPage) -> dict[str, Any]:
    """Return a unit's severity as JSON."""
    stretches = [
        {"begins": one["from"], **{name: one[name] for name in ("severity", "run", "counts_as", "unit")}}
        for line in page.lines
        for one in line.facts.get("severity_stretches", [])
    ]
    proposal = page.proposal
    return {
        "unit": page.unit.code,
        "severity": page.value,
        "basis": page.basis,
        "stretches": stretches,
        "factors": FactorRow([row.factor for row in page.factors], many=True).data,
        "months": [
            {
                "month": month.month.isoformat(),
                "bands": [{"temp_c": temp, "hours": hours} for temp, hours in sorted(month.hours_at.items())],
                "unseen_h": month.unseen_h,
            }
            for month in page.months
        ],
        "proposal": proposal.sentence,
        "proposed": proposal.action,
        "proposed_severity": proposal.value,
        "proposed_from": None if proposal.applies_from is None else proposal.applies_from.isoformat(),
    }
