"""Stock on the shelf, reservations and movements."""

from django.db import models
from django.db.models import Q


class StockItem(models.Model):
    """Packs of one product and batch on one depot's shelf, counted in litres."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="stock")
    product = models.ForeignKey("shop.Product", on_delete=models.PROTECT, related_name="stock")
    label = models.CharField(
        max_length=40, help_text="The house's own mark on the pack, e.g. its shelf and date."
    )
    place = models.CharField(max_length=16, blank=True, help_text="Shelf or stand, in picking order.")
    pack_size_l = models.FloatField()
    on_shelf_l = models.FloatField()
    batch = models.CharField(max_length=40, blank=True)
    use_by = models.DateField(null=True, blank=True)
    opened_on = models.DateField(null=True, blank=True)
    is_quarantined = models.BooleanField(default=False)

    class Meta:
        ordering = ["product", "use_by"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "product", "label"], name="stock_label_once"),
            models.CheckConstraint(condition=Q(on_shelf_l__gte=0), name="stock_not_negative"),
            models.CheckConstraint(condition=Q(pack_size_l__gt=0), name="pack_size_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.product.code} {self.on_shelf_l} L ({self.label})"


class StoreRoom(models.Model):
    """A room or bund of a depot's shelf whose limit several products share; a product may stand in more than one."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="rooms")
    name = models.CharField(max_length=40)
    most_l = models.FloatField(help_text="Litres that may stand in it, e.g. what the bund would hold.")
    products = models.ManyToManyField("shop.Product", related_name="rooms", blank=True)

    class Meta:
        ordering = ["depot", "name"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "name"], name="room_once_per_depot"),
            models.CheckConstraint(condition=Q(most_l__gt=0), name="shared_room_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.most_l:g} L)"


class StockMovement(models.Model):
    """Litres that came onto or left the shelf; rows are only ever added."""

    class Reason(models.TextChoices):
        GOODS_IN = "goods in"
        FILLED = "filled"
        RETURNED = "returned"
        COUNTED = "counted"
        WRITTEN_OFF = "written off"
        MOVED = "moved"
        DECANTED = "decanted"
        OPENED = "opened"

    item = models.ForeignKey(StockItem, on_delete=models.PROTECT, related_name="movements")
    litres = models.FloatField(help_text="Positive in, negative out.")
    reason = models.CharField(max_length=12, choices=Reason)
    note = models.CharField(max_length=200, blank=True, help_text="Why; a write-off and a count need it.")
    delivery = models.ForeignKey(
        "shop.OrderedLine",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="movements",
        help_text="The order these litres came in on.",
    )
    job = models.ForeignKey(
        "shop.Job", null=True, blank=True, on_delete=models.PROTECT, related_name="stock_movements"
    )
    moved_at = models.DateTimeField()
    moved_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["-moved_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason="written off") | ~Q(note=""), name="write_off_says_why"
            ),
        ]
        indexes = [models.Index(fields=["item", "-moved_at"], name="movement_by_item")]

    def __str__(self) -> str:
        return f"{self.litres:+} L {self.item}"


class Reservation(models.Model):
    """Litres of a product promised to a unit's next job."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="reservations")
    unit = models.ForeignKey("shop.Unit", on_delete=models.CASCADE, related_name="reservations")
    product = models.ForeignKey("shop.Product", on_delete=models.PROTECT, related_name="reservations")
    litres = models.FloatField()
    made_on = models.DateField()
    is_open = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "product"], condition=Q(is_open=True), name="one_open_reservation"
            ),
            models.CheckConstraint(condition=Q(litres__gt=0), name="reservation_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.litres} L {self.product.code} for {self.unit}"
