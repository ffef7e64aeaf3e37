"""The exchange plan of a unit: method, litres, stages, the runner-up, parts and where each figure comes from."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from intervals.exchange.methods import METHODS, MethodPlan
from intervals.exchange.plan_spread import PlanSpread
from intervals.exchange.propagation import COVERAGE
from shop.api.serializers.fields import Words
from shop.models import CardFigure


class TargetAsked(serializers.Serializer[Any]):
    """Query of a plan."""

    target_share = serializers.FloatField(
        required=False,
        help_text="Fresh share to reach, above 0 and below 1; left out: the unit's own target.",
    )

    strength_found_share = serializers.FloatField(
        required=False, min_value=0, max_value=1, help_text="Cooling systems: glycol by volume found."
    )
    strength_wanted_share = serializers.FloatField(
        required=False, min_value=0, max_value=1, help_text="Cooling systems: glycol by volume wanted."
    )
    drained_l = serializers.FloatField(
        required=False, min_value=0, help_text="Cooling systems: litres drained."
    )

    def validate_target_share(self, value: float) -> float:
        """Refuse a share no exchange can be planned to."""
        if not 0 < value < 1:
            raise serializers.ValidationError(
                f"{value:g} is no share to plan to; write one above 0 and below 1, e.g. 0.75."
            )
        return value


class SpreadRow(serializers.Serializer[Any]):
    """A figure with its range, in the unit of the field it stands in."""

    value = serializers.FloatField()
    sd = serializers.FloatField(help_text="Standard uncertainty.")
    low = serializers.FloatField()
    high = serializers.FloatField()


class PlanSpreadRow(serializers.Serializer[Any]):
    """How sure the share and the litres of a plan are."""

    coverage_share = serializers.SerializerMethodField(help_text="Probability between low and high.")
    fresh_share = SpreadRow(source="share")
    new_fluid_l = SpreadRow(source="litres")
    total_to_reserve_l = SpreadRow(source="reserve_l")
    sentence = serializers.CharField()

    @extend_schema_field(serializers.FloatField())
    def get_coverage_share(self, spread: PlanSpread) -> float:
        """Return the coverage."""
        return COVERAGE


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
    spread = serializers.SerializerMethodField(help_text="Ranges; null where the method cannot be done.")
    needs = serializers.SerializerMethodField(help_text="What must be at hand.")
    cautions = serializers.SerializerMethodField(
        help_text="The maker's procedure and licensed people come first."
    )

    @extend_schema_field(PlanSpreadRow(allow_null=True))
    def get_spread(self, plan: MethodPlan) -> Any:
        """Return the ranges of the plan, from those worked out with all plans."""
        spread = self.context.get("spreads", {}).get(plan.title) if plan.is_feasible else None
        return None if spread is None else PlanSpreadRow(spread).data

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


class ProductFigureRow(serializers.Serializer[Any]):
    """A figure of the house's product; source default where the product's own is not known."""

    figure = serializers.CharField()
    value = serializers.FloatField()
    measured_in = serializers.CharField()
    source = serializers.CharField()


class CoolantSumRow(serializers.Serializer[Any]):
    """Concentrate and water for a cooling system; shares are glycol by volume, 0 to 1."""

    cannot_say = serializers.CharField()
    total_l = serializers.FloatField(allow_null=True)
    drained_l = serializers.FloatField(allow_null=True)
    drained_from = serializers.CharField()
    strength_found_share = serializers.FloatField(source="found_share", allow_null=True)
    strength_found_from = serializers.CharField(source="found_from")
    strength_wanted_share = serializers.FloatField(source="wanted_share")
    strength_wanted_from = serializers.CharField(source="wanted_from")
    product_strength_share = serializers.FloatField(source="product_share")
    product_to_reserve_l = serializers.FloatField(
        source="reserve_l",
        allow_null=True,
        help_text="Litres of product to have; the rest of the plan is water.",
    )
    concentrate_l = serializers.FloatField(source="mix.concentrate_l", allow_null=True, default=None)
    water_l = serializers.FloatField(source="mix.water_l", allow_null=True, default=None)
    least_drain_l = serializers.FloatField(source="mix.least_drain_l", allow_null=True, default=None)
    concentrate_spread_l = SpreadRow(source="concentrate", allow_null=True)
    filled_as_wanted_share = serializers.FloatField(source="as_wanted_share", allow_null=True)
    sentence = serializers.CharField(source="mix.sentence", default="")
    cautions = Words()


class BrakeGradeRow(serializers.Serializer[Any]):
    """Least boiling points of new fluid of a grade."""

    grade = serializers.CharField()
    dry_boiling_least_c = serializers.FloatField()
    wet_boiling_least_c = serializers.FloatField()


class BrakeCheckRow(serializers.Serializer[Any]):
    """What a brake system's fluid is judged by."""

    grades = BrakeGradeRow(many=True)
    measured_c = serializers.FloatField(allow_null=True)
    measured_on = serializers.CharField(help_text="Job it was noted on.")
    sentence = serializers.CharField()
    source = serializers.CharField()


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
    product_figures = ProductFigureRow(many=True)
    coolant = CoolantSumRow(allow_null=True, help_text="Cooling systems only.")
    brakes = BrakeCheckRow(allow_null=True, help_text="Brake systems only.")
