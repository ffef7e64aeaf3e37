"""Bulk tanks for new fluid: a stock place with a capacity, its dip table and its dips."""

from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses


class BulkTank(models.Model):
    """A tank that holds one product; its litres by the books are those of its stock item."""

    code = models.CharField(max_length=24, unique=True, validators=[in_addresses])
    name = models.CharField(max_length=80, blank=True)
    item = models.OneToOneField("shop.StockItem", on_delete=models.PROTECT, related_name="tank")
    capacity_l = models.FloatField()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(capacity_l__gt=0), name="bulk_capacity_above_zero"),
        ]

    def __str__(self) -> str:
        return self.code


class TankMark(models.Model):
    """One line of a tank's dip table: so many litres when the stick is wet to so many millimetres."""

    tank = models.ForeignKey(BulkTank, on_delete=models.CASCADE, related_name="marks")
    mm = models.FloatField()
    litres = models.FloatField()

    class Meta:
        ordering = ["tank", "mm"]
        constraints = [
            models.UniqueConstraint(fields=["tank", "mm"], name="tank_mark_once"),
            models.CheckConstraint(condition=Q(mm__gte=0, litres__gte=0), name="tank_mark_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.tank.code} {self.mm:g} mm {self.litres:g} L"


class TankDip(models.Model):
    """What a stick showed, and what the books said at that moment; rows are only ever added.

    delivered_l and issued_l are what the books moved since the dip before; corrections by count are in neither.
    """

    tank = models.ForeignKey(BulkTank, on_delete=models.PROTECT, related_name="dips")
    dipped_at = models.DateTimeField()
    mm = models.FloatField(null=True, blank=True)
    litres = models.FloatField(help_text="At the temperature of the fluid, from the dip table or as read.")
    temp_c = models.FloatField(null=True, blank=True)
    book_l = models.FloatField(null=True, blank=True)
    delivered_l = models.FloatField(null=True, blank=True)
    issued_l = models.FloatField(null=True, blank=True)
    newest_movement = models.ForeignKey(
        "shop.StockMovement", null=True, blank=True, on_delete=models.PROTECT, related_name="+",
        help_text="The last movement the books held then.",
    )  # fmt: skip
    correction = models.OneToOneField(
        "shop.StockMovement", null=True, blank=True, on_delete=models.PROTECT, related_name="dip",
        help_text="The counted correction a person made of it.",
    )  # fmt: skip
    dipped_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-dipped_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(litres__gte=0) & (Q(mm__isnull=True) | Q(mm__gte=0)), name="tank_dip_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tank.code} {self.dipped_at:%Y-%m-%d} {self.litres:g} L"
