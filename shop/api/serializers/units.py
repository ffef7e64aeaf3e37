"""Units, where they are fitted, and where their fluid stands."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop.api.serializers.due import DueRow
from shop.api.serializers.fields import Words
from shop.models import Fitting, LastService, Unit
from shop.selectors.due_today import explained


class UnitRow(serializers.ModelSerializer[Unit]):
    """A unit in a list."""

    unit_model = serializers.CharField(source="unit_model.code", read_only=True)
    unit_model_name = serializers.CharField(source="unit_model.name", read_only=True)
    kind = serializers.CharField(source="unit_model.kind", read_only=True)
    vehicle = serializers.SerializerMethodField()
    depot = serializers.SerializerMethodField()
    position = serializers.SerializerMethodField()

    class Meta:
        model = Unit
        fields = (
            "code",
            "unit_model",
            "unit_model_name",
            "kind",
            "serial",
            "vehicle",
            "depot",
            "position",
            "note",
        )
        read_only_fields = fields

    def get_vehicle(self, unit: Unit) -> str:
        """Return the number of the vehicle it is fitted to."""
        return _fitting(unit).vehicle.number

    def get_depot(self, unit: Unit) -> str:
        """Return the code of that vehicle's depot."""
        return _fitting(unit).vehicle.depot.code

    def get_position(self, unit: Unit) -> str:
        """Return its place in the vehicle."""
        return _fitting(unit).position


class LastServiceRow(serializers.ModelSerializer[LastService]):
    """Where a subject of the unit stood right after it was last done."""

    product = serializers.CharField(source="product.code", default=None, read_only=True, allow_null=True)

    class Meta:
        model = LastService
        fields = (
            "subject",
            "done_on",
            "unit_km",
            "unit_h",
            "age_km",
            "age_h",
            "age_days",
            "fresh_share",
            "product",
            "batch",
        )
        read_only_fields = fields


class UnitDetail(UnitRow):
    """A unit with its fluid, its allowed methods and its due lines."""

    product = serializers.CharField(
        source="unit_model.product.code", default=None, read_only=True, allow_null=True
    )
    hours_meter = serializers.CharField(
        source="unit_model.hours_meter",
        read_only=True,
        help_text="The meter its hours are counted by: engine hours or power take-off hours.",
    )
    methods = Words(source="unit_model.methods", read_only=True)
    target_share = serializers.FloatField(source="unit_model.target_share", read_only=True, allow_null=True)
    last_services = LastServiceRow(many=True, read_only=True)
    due_lines = serializers.SerializerMethodField()

    class Meta(UnitRow.Meta):
        fields = (
            *UnitRow.Meta.fields,
            "hours_meter",
            "product",
            "methods",
            "target_share",
            "last_services",
            "due_lines",
        )
        read_only_fields = fields

    @extend_schema_field(DueRow(many=True))
    def get_due_lines(self, unit: Unit) -> Any:
        """Return its due lines as of today."""
        return DueRow(explained(unit.due_lines.all()), many=True, context=self.context).data


def _fitting(unit: Unit) -> Fitting:
    """Return where the unit is fitted now, from the rows fetched beforehand."""
    return next(fitting for fitting in unit.fittings.all() if fitting.removed_on is None)
