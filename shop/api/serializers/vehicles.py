"""Vehicles with their meters, units and holds."""

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop import clock
from shop.api.serializers.due import DueRow
from shop.models import Fitting, Hold, Meter, Vehicle
from shop.selectors.due_today import explained
from shop.selectors.holds import holds_on


class VehicleRow(serializers.ModelSerializer[Vehicle]):
    """A vehicle in a list."""

    depot = serializers.CharField(source="depot.code", read_only=True)

    class Meta:
        model = Vehicle
        fields = (
            "number",
            "name",
            "kind",
            "depot",
            "leaves_on",
            "warranty_until",
            "spare_from",
            "turns_up_share",
            "passes_gate_share",
            "note",
        )
        read_only_fields = fields


class MeterRow(serializers.ModelSerializer[Meter]):
    """A meter and the unit it shows."""

    class Meta:
        model = Meter
        fields = ("kind", "shown_in", "rolls_over_at")
        read_only_fields = fields


class FittedUnit(serializers.ModelSerializer[Fitting]):
    """A unit at its place in the vehicle."""

    unit = serializers.CharField(source="unit.code", read_only=True)
    unit_model = serializers.CharField(source="unit.unit_model.code", read_only=True)
    unit_kind = serializers.CharField(source="unit.unit_model.kind", read_only=True)

    class Meta:
        model = Fitting
        fields = ("position", "unit", "unit_model", "unit_kind", "fitted_on")
        read_only_fields = fields


class HoldRow(serializers.Serializer[dict[str, object]]):
    """A reason not to do the work now: laid on by hand, a signed deferral, or an open recall."""

    kind = serializers.ChoiceField(choices=Hold.Kind.choices)
    unit = serializers.CharField(allow_null=True, help_text="None: the whole vehicle.")
    reason = serializers.CharField()
    from_day = serializers.DateField()
    until = serializers.DateField(allow_null=True, help_text="First day it no longer counts.")
    signed_by = serializers.CharField()
    recall = serializers.CharField(source="recall_code")
    must_not_move = serializers.BooleanField(source="is_stop_drive")


class VehicleDetail(VehicleRow):
    """A vehicle with all that hangs on it."""

    season = serializers.CharField(source="season.code", default=None, read_only=True, allow_null=True)
    meters = MeterRow(many=True, read_only=True)
    units = serializers.SerializerMethodField(help_text="Units fitted now.")
    holds = serializers.SerializerMethodField(help_text="What holds work back today.")
    due_lines = serializers.SerializerMethodField()

    class Meta(VehicleRow.Meta):
        fields = (
            *VehicleRow.Meta.fields,
            "average_speed_km_h",
            "season",
            "meters",
            "units",
            "holds",
            "due_lines",
        )
        read_only_fields = fields

    @extend_schema_field(FittedUnit(many=True))
    def get_units(self, vehicle: Vehicle) -> Iterable[object]:
        """Return the units that have not been removed."""
        fitted = [fitting for fitting in vehicle.fittings.all() if fitting.removed_on is None]
        return FittedUnit(fitted, many=True).data

    @extend_schema_field(HoldRow(many=True))
    def get_holds(self, vehicle: Vehicle) -> Any:
        """Return what holds work back today."""
        units = {fitting.unit_id: fitting.unit.code for fitting in vehicle.fittings.all()}
        found = holds_on(clock.today(vehicle.depot.time_zone), [vehicle.pk]).get(vehicle.pk, [])
        rows = [{**asdict(hold), "unit": units.get(hold.unit_pk)} for hold in found]
        return HoldRow(rows, many=True).data

    @extend_schema_field(DueRow(many=True))
    def get_due_lines(self, vehicle: Vehicle) -> Any:
        """Return its due lines as of today."""
        return DueRow(explained(vehicle.due_lines.all()), many=True, context=self.context).data
