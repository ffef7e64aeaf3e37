"""The exchange plan of a unit: method, litres, stages, the runner-up, parts and where each figure comes from."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from intervals.exchange.methods import METHODS, MethodPlan
from shop.api.serializers.fields import Words
from shop.models import CardFigure


class TargetAsked(serializers.Serializer[Any]):
    """Query of a plan."""

    target_share = serializers.FloatField(
        required=False,
        help_text="Fresh share to reach, above 0 and below 1; left out: the unit's own target.",
    )

    def validate_target_share(self, value: float) -> float:
        """Refuse a share no exchange can be planned to."""
        if not 0 < value < 1:
            raise serializers.ValidationError(
                f"{value:g} is no share to plan to; write one above 0 and below 1, e.g. 0.75."
            )
        return value


class MethodPlanRow(serializers.Serializer[MethodPlan]):
    """One method for the unit; without litres and shares when it cannot be done, for the reason given."""

    title = serializers.CharField()
    method = serializers.CharField()
    start = serializers.CharField(help_text="The drain before it.")
    is_feasible = serializers.BooleanField()
    reaches_target = serializers.BooleanField()
    reason = serializers.CharField()
    sentence = serializers.CharField()
    basis = serializers.CharField(help_text="What the shares rest on.")
    fresh_share = serializers.FloatField(allow_null=True)
    fresh_share_low = serializers.FloatField(allow_null=True, help_text="Taken cautiously.")
    new_fluid_l = serializers.FloatField(allow_null=True)
    drained_l = serializers.FloatField(allow_null=True)
    pushed_l = serializers.FloatField(allow_null=True)
    drains = serializers.IntegerField()
    stages_l = serializers.ListField(child=serializers.FloatField(), source="stages")
    purge_hold_up_l = serializers.FloatField(allow_null=True)
    total_to_reserve_l = serializers.FloatField(allow_null=True)
    cost = serializers.FloatField(allow_null=True)
    cost_per_1000_km = serializers.FloatField(allow_null=True)
    hands_on_h = serializers.FloatField(allow_null=True)
    off_road_h = serializers.FloatField(allow_null=True)
    needs = serializers.SerializerMethodField(help_text="What must be at hand.")
    cautions = serializers.SerializerMethodField(
        help_text="The maker's procedure and licensed people come first."
    )

    @extend_schema_field(Words())
    def get_needs(self, plan: MethodPlan) -> list[str]:
        """Return what the method needs."""
        return list(METHODS[plan.method].needs)

    @extend_schema_field(Words())
    def get_cautions(self, plan: MethodPlan) -> list[str]:
        """Return the cautions printed with the method."""
        return list(METHODS[plan.method].cautions)


class StageRow(serializers.Serializer[Any]):
    """One engine run with the hose off; null where the unit card cannot say."""

    stage_l = serializers.FloatField(source="litres")
    seconds = serializers.FloatField(allow_null=True)
    sump_after_l = serializers.FloatField(allow_null=True)
    out_total_l = serializers.FloatField()


class PartRow(serializers.Serializer[Any]):
    """One part to pick and why."""

    part = serializers.CharField()
    quantity = serializers.FloatField()
    measured_in = serializers.CharField(source="unit")
    why = serializers.CharField()


class FigureRow(serializers.ModelSerializer[CardFigure]):
    """One figure of the unit card in force, with its source."""

    class Meta:
        model = CardFigure
        fields = ("figure", "value", "measured_in", "source", "noted_on", "note")
        read_only_fields = fields


class ExchangePlanRow(serializers.Serializer[Any]):
    """All plans of a unit, the best first choice, the runner-up and what separates them."""

    unit = serializers.CharField()
    cannot_say = serializers.CharField(help_text="Why there is no plan; empty when there is one.")
    target_share = serializers.FloatField()
    is_reason_asked = serializers.BooleanField(help_text="A target this high wants a reason from who set it.")
    best = MethodPlanRow(allow_null=True)
    stages = StageRow(many=True, help_text="Engine runs of the best plan.")
    runner_up = MethodPlanRow(allow_null=True)
    choice = serializers.CharField(help_text="Why the best is the best, or what separates the runner-up.")
    plans = MethodPlanRow(many=True)
    parts = PartRow(many=True)
    figures = FigureRow(many=True)
