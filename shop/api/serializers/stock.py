"""Stock on the shelf, its movements, goods that arrive, batches and the pick list."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.fields import Number, Words
from shop.models import Reservation, StockItem, StockMovement

BOOKINGS = ["count", "write off", "open", "decant", "transfer", "return"]


class StockRow(serializers.ModelSerializer[StockItem]):
    """Packs of one product and batch."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    product = serializers.CharField(source="product.code", read_only=True)

    class Meta:
        model = StockItem
        fields = (
            "id", "depot", "product", "label", "place", "pack_size_l", "on_shelf_l", "batch", "use_by", "opened_on",
            "is_quarantined",
        )  # fmt: skip
        read_only_fields = fields


class StockSums(serializers.Serializer[Any]):
    """One product on one shelf, its sums apart: on_shelf − reserved − quarantined − past_use_by = free."""

    depot = serializers.CharField(source="depot.code")
    product = serializers.CharField(source="product.code")
    on_shelf_l = Number(source="litres.on_shelf_l")
    reserved_l = Number(source="litres.reserved_other_l")
    quarantined_l = Number(source="litres.quarantined_l")
    past_use_by_l = Number(source="litres.past_use_by_l")
    free_l = Number(source="litres.free_l")
    on_order_l = Number(help_text="Litres on the way that are not overdue.")


class ReservationRow(serializers.ModelSerializer[Reservation]):
    """Litres of a product promised to a unit's next job."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    unit = serializers.CharField(source="unit.code", read_only=True)
    product = serializers.CharField(source="product.code", read_only=True)

    class Meta:
        model = Reservation
        fields = ("id", "depot", "unit", "product", "litres", "made_on")
        read_only_fields = fields


class ReservationGiven(serializers.Serializer[Any]):
    """A unit, and litres unless its plan says them."""

    unit = serializers.CharField(max_length=40, help_text="Code of the unit.")
    litres = Number(required=False, help_text="Litres; left out: what the unit's plan asks to have.")


class ReservationMade(serializers.Serializer[Any]):
    """The reservation, what of it has to be ordered, and what was freed for it."""

    reservation = ReservationRow()
    short_l = Number(help_text="Litres that are not free on the shelf.")
    caution = serializers.CharField(help_text="Why the unit has to be rinsed first; empty when it has not.")
    freed = ReservationRow(many=True)


class FreeGiven(serializers.Serializer[Any]):
    """Why reserved litres are free again."""

    note = serializers.CharField(max_length=200, help_text="The reason, e.g. “turned away at the stop gate”.")


class MovementRow(serializers.ModelSerializer[StockMovement]):
    """Litres that came onto or left a shelf."""

    item = serializers.IntegerField(source="item_id", read_only=True)
    label = serializers.CharField(source="item.label", read_only=True)
    product = serializers.CharField(source="item.product.code", read_only=True)
    depot = serializers.CharField(source="item.depot.code", read_only=True)
    job = serializers.CharField(source="job.code", default=None, read_only=True, allow_null=True)
    moved_by = serializers.CharField(
        source="moved_by.username", default=None, read_only=True, allow_null=True
    )

    class Meta:
        model = StockMovement
        fields = (
            "id",
            "item",
            "label",
            "product",
            "depot",
            "litres",
            "reason",
            "note",
            "job",
            "moved_at",
            "moved_by",
        )
        read_only_fields = fields


class MovementGiven(serializers.Serializer[Any]):
    """One booking: what happened, to which packs, how much."""

    what = serializers.ChoiceField(choices=BOOKINGS)
    item = serializers.IntegerField(min_value=1)
    litres = Number(
        required=False, help_text="Counted, gone, poured, moved or brought back; opening needs none."
    )
    note = serializers.CharField(required=False, max_length=200, default="", allow_blank=True)
    label = serializers.CharField(
        required=False, max_length=40, default="", help_text="Of the can poured into."
    )
    to = serializers.CharField(
        required=False, max_length=24, default="", help_text="Depot code of the other shelf."
    )
    job = serializers.CharField(
        required=False, max_length=40, default="", help_text="Code of the job brought back from."
    )

    def validate(self, given: dict[str, Any]) -> dict[str, Any]:
        """Ask for what the booking needs."""
        what = given["what"]
        needed = {"transfer": "to", "return": "job", "decant": "label"}.get(what)
        missing = [name for name in (needed,) if name and not given[name]]
        if what != "open" and "litres" not in given:
            missing.append("litres")
        if missing:
            raise serializers.ValidationError(
                {name: f"A booking “{what}” needs “{name}”." for name in missing}
            )
        return given


class PacksGiven(serializers.Serializer[Any]):
    """Equal sealed packs of one batch."""

    pack_size_l = Number()
    count = serializers.IntegerField(min_value=1, max_value=10_000)
    batch = serializers.CharField(max_length=40)
    use_by = serializers.DateField(required=False, allow_null=True, default=None)
    place = serializers.CharField(required=False, max_length=16, default="", allow_blank=True)
    is_seal_whole = serializers.BooleanField(required=False, default=True)


class GoodsGiven(serializers.Serializer[Any]):
    """Goods that arrived."""

    depot = serializers.CharField(max_length=24)
    product = serializers.CharField(max_length=24)
    order = serializers.IntegerField(
        required=False, allow_null=True, default=None, help_text="Id of the order."
    )
    packs = PacksGiven(many=True, allow_empty=False)


class GoodsTaken(serializers.Serializer[Any]):
    """The packs as they stand on the shelf now."""

    items = StockRow(many=True)
    order_is_open = serializers.BooleanField(allow_null=True)
    outstanding_l = serializers.FloatField(allow_null=True)
    over_l = serializers.FloatField(allow_null=True, help_text="Litres beyond those ordered.")
    room_warnings = serializers.ListField(
        child=serializers.CharField(),
        help_text="Rooms the product stands in that now hold more than they may.",
    )


class BatchUnitRow(serializers.Serializer[Any]):
    """A unit that had the batch."""

    unit = serializers.CharField(source="unit.code")
    vehicle = serializers.CharField(source="job.vehicle.number")
    job = serializers.CharField(source="job.code")
    done_on = serializers.DateField(source="job.done_on", allow_null=True)
    litres = serializers.FloatField(allow_null=True)
    is_still_in = serializers.BooleanField()


class BatchRow(serializers.Serializer[Any]):
    """Where a batch stands and where it went."""

    product = serializers.CharField(source="product.code")
    batch = serializers.CharField()
    is_set_aside = serializers.BooleanField()
    items = serializers.SerializerMethodField()
    units = BatchUnitRow(many=True)

    def get_items(self, trace: Any) -> list[dict[str, Any]]:
        """Return the packs of it that are left."""
        return [dict(StockRow(own.item).data) for own in trace.items]


class BatchGiven(serializers.Serializer[Any]):
    """Set a batch aside, or release it."""

    what = serializers.ChoiceField(choices=["set aside", "release"])
    note = serializers.CharField(max_length=200)


class PickRow(serializers.Serializer[Any]):
    """What to fetch for one booked job."""

    job = serializers.CharField(source="job.code")
    unit = serializers.CharField(source="job.unit.code")
    vehicle = serializers.CharField(source="job.vehicle.number")
    product = serializers.CharField(source="product.code", default=None, allow_null=True)
    litres = serializers.FloatField(allow_null=True)
    short_l = serializers.FloatField()
    warning = serializers.CharField()
    from_items = serializers.SerializerMethodField()
    parts = Words()

    def get_from_items(self, pick: Any) -> list[dict[str, Any]]:
        """Return from which packs how much."""
        return [{"item": item.pk, "label": item.label, "litres": litres} for item, litres in pick.from_items]


class PickListRow(serializers.Serializer[Any]):
    """One depot's fetching for one day."""

    depot = serializers.CharField(source="depot.code")
    day = serializers.DateField()
    picks = PickRow(many=True)


class DayAsked(serializers.Serializer[Any]):
    """A day; left out, tomorrow."""

    day = serializers.DateField(required=False)
