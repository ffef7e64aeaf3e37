"""Bulk tanks, their dips and months."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.fields import Number, Words
from shop.models import TankDip
from shop.selectors.tanks import dip_shown


class TankMonthRow(serializers.Serializer[Any]):
    """One month from dip to dip, litres at 15 °C; what cannot be said is null."""

    month = serializers.DateField()
    opening_l = serializers.FloatField(allow_null=True)
    delivered_l = serializers.FloatField(allow_null=True)
    issued_l = serializers.FloatField(allow_null=True)
    dip_l = serializers.FloatField(allow_null=True)
    missing_l = serializers.FloatField(source="shrink.missing_l", default=None, allow_null=True)
    missing_share = serializers.FloatField(source="shrink.share", default=None, allow_null=True)
    cannot_say = serializers.CharField()


class TankRow(serializers.Serializer[Any]):
    """A tank by the books and by its dips."""

    tank = serializers.CharField(source="tank.code")
    name = serializers.CharField(source="tank.name")
    item = serializers.IntegerField(source="tank.item_id", help_text="Id of the stock it is.")
    depot = serializers.CharField(source="tank.item.depot.code")
    product = serializers.CharField(source="tank.item.product.code")
    capacity_l = serializers.FloatField(source="tank.capacity_l")
    book_l = serializers.FloatField(source="tank.item.on_shelf_l")
    dip_l = serializers.FloatField(source="last.litres_15", default=None, allow_null=True)
    dip_off_share = serializers.FloatField(source="last.off_share", default=None, allow_null=True)
    verdict = serializers.CharField(source="verdict.state")
    sentence = serializers.CharField(source="verdict.sentence")
    candidates = Words(source="verdict.candidates")
    months = TankMonthRow(many=True)


class MarkGiven(serializers.Serializer[Any]):
    """One line of a dip table."""

    mm = Number()
    litres = Number()


class TankGiven(serializers.Serializer[Any]):
    """A stock item that stands in a tank."""

    item = serializers.IntegerField(min_value=1)
    tank = serializers.CharField(max_length=24)
    capacity_l = Number()
    name = serializers.CharField(required=False, max_length=80, default="", allow_blank=True)
    marks = MarkGiven(many=True, required=False, default=list)


class TankDipRow(serializers.ModelSerializer[TankDip]):
    """A dip beside what the books held then."""

    tank = serializers.CharField(source="tank.code", read_only=True)
    litres_15 = serializers.SerializerMethodField()
    dipped_by = serializers.CharField(
        source="dipped_by.username", default=None, read_only=True, allow_null=True
    )
    correction_l = serializers.FloatField(
        source="correction.litres", default=None, read_only=True, allow_null=True
    )

    class Meta:
        model = TankDip
        fields = (
            "id", "tank", "dipped_at", "mm", "litres", "temp_c", "litres_15", "book_l", "delivered_l", "issued_l",
            "dipped_by", "note", "correction_l",
        )  # fmt: skip
        read_only_fields = fields

    def get_litres_15(self, dip: TankDip) -> float | None:
        """Return the litres at 15 °C."""
        return dip_shown(dip.tank.item.product, dip).litres_15


class DipGiven(serializers.Serializer[Any]):
    """A dip: millimetres or litres."""

    tank = serializers.CharField(max_length=24)
    mm = Number(required=False, allow_null=True, default=None)
    litres = Number(required=False, allow_null=True, default=None)
    temp_c = Number(required=False, allow_null=True, default=None)
    note = serializers.CharField(required=False, max_length=200, default="", allow_blank=True)


class IssueGiven(serializers.Serializer[Any]):
    """Litres by the meter, outside a job."""

    litres = Number()
    note = serializers.CharField(max_length=200)


class DeliveryGiven(serializers.Serializer[Any]):
    """Litres delivered into a tank."""

    litres = Number()
    batch = serializers.CharField(max_length=40)
    order = serializers.IntegerField(
        required=False, allow_null=True, default=None, help_text="Id of the order."
    )
    note = serializers.CharField(required=False, max_length=150, default="", allow_blank=True)


class CorrectionGiven(serializers.Serializer[Any]):
    """Why the books are put right by a dip."""

    note = serializers.CharField(max_length=180)
