"""One row of the due list."""

from rest_framework import serializers

from shop.api.serializers.fields import Facts, Words
from shop.models import DueLine


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
    facts = Facts(
        read_only=True,
        help_text="Clocks with use, limit and rate, interval, severity factors, carried age, last reading, "
        "what is missing.",
    )

    class Meta:
        model = DueLine
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
            "facts",
            "worked_out_for",
        )
        read_only_fields = fields
