"""The order plan of the weeks ahead."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop.api.serializers.fields import Number
from shop.selectors.order_plan import LEAST_WEEKS, MOST_WEEKS, WEEKS


class PlanAsked(serializers.Serializer[Any]):
    """How far to look ahead."""

    weeks = serializers.IntegerField(
        required=False, min_value=LEAST_WEEKS, max_value=MOST_WEEKS, default=WEEKS, help_text="Weeks to plan."
    )


class PlannedPacks(serializers.Serializer[Any]):
    """Equal packs."""

    count = serializers.IntegerField()
    printed = serializers.CharField()


class PlannedLot(serializers.Serializer[Any]):
    """One product of an order."""

    product = serializers.CharField(source="product.code")
    litres = Number(source="lot.litres")
    price = Number(source="lot.price")
    packs = serializers.SerializerMethodField()
    why = serializers.CharField()

    @extend_schema_field(PlannedPacks(many=True))
    def get_packs(self, own: Any) -> list[dict[str, Any]]:
        """Return the packs, largest first."""
        return [{"count": count, "printed": pack.label} for pack, count in own.lot.packs]


class PlannedOrderRow(serializers.Serializer[Any]):
    """One order to a supplier, with the days it has to be written and comes."""

    supplier = serializers.CharField(source="supplier.code")
    order_by = serializers.DateField()
    arrives_by = serializers.DateField()
    litres = Number()
    value = Number()
    fixed_cost = Number(help_text="What the order costs besides its packs.")
    notes = serializers.ListField(child=serializers.CharField())
    lots = PlannedLot(many=True)


class FluidWeeksRow(serializers.Serializer[Any]):
    """One product's weeks, in the order of `begins`."""

    product = serializers.CharField(source="product.code")
    taken_l = serializers.ListField(source="need.mean_l", child=Number())
    required_l = serializers.ListField(
        child=Number(), help_text="To have had by the end of each week, counted up."
    )
    shelf_l = serializers.ListField(child=Number(), help_text="On the shelf at the end of each week.")
    unmet_l = serializers.ListField(child=Number(), help_text="Short, because nobody delivers sooner.")
    cannot_say = serializers.CharField()
    sentence = serializers.CharField()


class RoomWeeksRow(serializers.Serializer[Any]):
    """One shared room's weeks, in the order of `begins`, once each week's deliveries are in."""

    name = serializers.CharField(source="room.name")
    most_l = Number(source="room.most_l")
    products = serializers.ListField(child=serializers.CharField())
    full_l = serializers.ListField(source="room.full_l", child=Number(), help_text="Litres in it.")
    over_l = serializers.ListField(source="room.over_l", child=Number(), help_text="Litres beyond the limit.")
    unavoidable_l = serializers.ListField(
        source="room.unavoidable_l", child=Number(), help_text="Of these, even with the least stock."
    )
    sentence = serializers.CharField()


class ShelfPlanRow(serializers.Serializer[Any]):
    """The plan of one shelf; no plan costs less than `bound`."""

    depot = serializers.CharField(source="depot.code")
    as_of = serializers.DateField()
    begins = serializers.ListField(child=serializers.DateField(), help_text="First day of each week.")
    cost = Number(
        source="plan.cost", help_text="Packs, orders, freight and keeping, less the worth of what is left."
    )
    spent = Number(source="plan.spent", help_text="Packs, orders and freight.")
    bound = Number(source="plan.bound")
    gap = Number(
        source="plan.gap", help_text="What a better plan could save at most, as a share of the money spent."
    )
    orders = PlannedOrderRow(many=True)
    fluids = FluidWeeksRow(many=True)
    rooms = RoomWeeksRow(many=True)
    sentence = serializers.CharField()
    against_list = serializers.ListField(child=serializers.CharField())
