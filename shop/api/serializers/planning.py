"""A rule tried out over the API: the figures to try and the year before and after."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from intervals.rules import POLICIES
from shop.selectors.what_if import RANGES


def _figure(name: str, words: str) -> serializers.FloatField:
    low, high = RANGES[name]
    return serializers.FloatField(
        required=False, allow_null=True, default=None, min_value=low, max_value=high, help_text=words
    )


class WhatIfAsked(serializers.Serializer[Any]):
    """A unit model and the figures of its rule to try; what is left out stays as it is."""

    unit_model = serializers.CharField(max_length=24, help_text="Code of a unit model fitted in your depots.")
    interval_km = _figure("interval_km", "Interval, km; 0 drops this clock.")
    interval_h = _figure("interval_h", "Interval, h; 0 drops this clock.")
    interval_months = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=0, max_value=int(RANGES["interval_months"][1]),
        help_text="Interval, whole months; 0 drops this clock.",
    )  # fmt: skip
    opens_share = _figure("opens_share", "Window opens before the limit, share of the interval.")
    closes_share = _figure("closes_share", "Late beyond the limit, share of the interval.")
    assumed_freshness_share = _figure(
        "assumed_freshness_share", "Fresh share the interval takes for granted."
    )
    cap_share = _figure("cap_share", "The most a run may be, share of the interval.")
    policy = serializers.ChoiceField(choices=POLICIES, required=False, allow_null=True, default=None)
    severity_factor = _figure("severity_factor", "Divides the intervals, on top of each unit's own factors.")


class YearSum(serializers.Serializer[Any]):
    """Jobs, litres of product and cost."""

    jobs = serializers.IntegerField()
    litres = serializers.FloatField()
    cost = serializers.FloatField()


class WhatIfMonth(serializers.Serializer[Any]):
    """One month of the year ahead; both days belong to it."""

    begins_on = serializers.DateField()
    ends_on = serializers.DateField()
    before = YearSum()
    after = YearSum()


class StateCount(serializers.Serializer[Any]):
    """Lines that stand in one state today."""

    state = serializers.CharField()
    before = serializers.IntegerField()
    after = serializers.IntegerField()


class WhatIfAnswer(serializers.Serializer[Any]):
    """A year before and after; nothing of it is stored."""

    unit_model = serializers.CharField(source="model.code")
    as_of = serializers.DateField()
    units = serializers.IntegerField()
    sentence = serializers.CharField()
    before = YearSum()
    after = YearSum()
    months = WhatIfMonth(many=True)
    states = serializers.SerializerMethodField()
    unknown_before = serializers.IntegerField(help_text="Lines of which no job can be said.")
    unknown_after = serializers.IntegerField()
    unplanned = serializers.IntegerField(
        help_text="Units without an exchange plan: jobs without litres and cost."
    )
    price_per_l = serializers.FloatField()
    labour_per_h = serializers.FloatField()
    currency = serializers.CharField(help_text="Empty where your depots keep different ones.")

    @extend_schema_field(StateCount(many=True))
    def get_states(self, found: Any) -> list[dict[str, Any]]:
        """Return the lines by state."""
        return [
            {"state": state, "before": counts[0], "after": counts[1]}
            for state, counts in found.states.items()
        ]
