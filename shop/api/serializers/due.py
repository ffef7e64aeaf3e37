"""One row of the due list."""

from typing import Any

from django.db.models import Manager
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop.api.serializers.exchange import SpreadRow
from shop.api.serializers.fields import Facts, Words
from shop.models import DueLine
from shop.selectors.exchange import UnitPlan, plans_for_units


class DuePlan(serializers.Serializer[Any]):
    """What the fluid of a due line takes, in short; the whole plan is an endpoint of its own."""

    title = serializers.CharField(source="best.title")
    new_fluid_l = SpreadRow(source="spread.litres")
    total_to_reserve_l = SpreadRow(source="spread.reserve_l")
    fresh_share = SpreadRow(source="spread.share")
    sentence = serializers.CharField(source="spread.sentence")


class DueRows(serializers.ListSerializer[Any]):
    """Due lines in a list; their plans are worked out together."""

    def to_representation(self, data: Any) -> list[Any]:
        """Work out the plans of all units in one go."""
        lines = list(data.all() if isinstance(data, Manager) else data)
        self.child.plans = plans_for_units([line.unit for line in lines], has_parts=False)
        return super().to_representation(lines)


class DueRow(serializers.ModelSerializer[DueLine]):
    """One unit under one rule: its state, its window with a range of dates, and why."""

    vehicle = serializers.CharField(source="vehicle.number", read_only=True)
    vehicle_name = serializers.CharField(source="vehicle.name", read_only=True)
    depot = serializers.CharField(source="vehicle.depot.code", read_only=True)
    unit = serializers.CharField(source="unit.code", read_only=True)
    unit_model = serializers.CharField(source="unit.unit_model.code", read_only=True)
    unit_kind = serializers.CharField(source="unit.unit_model.kind", read_only=True)
    subject = serializers.CharField(source="rule.subject", read_only=True)
    overlays = Words(read_only=True)
    sentence = serializers.CharField(read_only=True, help_text="Why it is due when it is.")
    facts = Facts(
        read_only=True,
        help_text="Clocks with use, limit and rate, interval, severity factors, carried age, last reading, "
        "what is missing.",
    )

    plan = serializers.SerializerMethodField(
        help_text="Litres and fresh share of the best plan with their ranges; null where nobody can say, and for "
        "anything but the fluid."
    )
    plans: dict[int, UnitPlan] | None = None

    class Meta:
        model = DueLine
        list_serializer_class = DueRows
        fields = (
            "id",
            "depot",
            "vehicle",
            "vehicle_name",
            "unit",
            "unit_model",
            "unit_kind",
            "subject",
            "state",
            "overlays",
            "must_not_move",
            "used_share",
            "clock",
            "opens_on",
            "due_on",
            "late_on",
            "due_clock",
            "due_low_on",
            "due_high_on",
            "book_by",
            "sentence",
            "plan",
            "facts",
            "worked_out_for",
        )
        read_only_fields = fields

    @extend_schema_field(DuePlan(allow_null=True))
    def get_plan(self, line: DueLine) -> Any:
        """Return the plan of the line's unit."""
        if line.rule.subject != "fluid":
            return None
        plans = plans_for_units([line.unit], has_parts=False) if self.plans is None else self.plans
        plan = plans[line.unit_id]
        return None if plan.spread is None else DuePlan(plan).data
