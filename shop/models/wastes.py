"""Containers for old fluid, what went into them and out, and the collector's visits."""

from django.db import models
from django.db.models import Q


class WasteTank(models.Model):
    """A container for one stream of old fluid; streams are never mixed."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="waste_tanks")
    stream = models.CharField(max_length=32)
    place = models.CharField(max_length=60, blank=True, help_text="Where it stands and what it is.")
    waste_code = models.CharField(
        max_length=16, blank=True, help_text="Code for the collection paper; the collector confirms it."
    )
    capacity_l = models.FloatField()
    level_l = models.FloatField()
    mean_per_day_l = models.FloatField()
    sd_per_day_l = models.FloatField()
    collector_lead_days = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["depot", "stream"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "stream"], name="one_tank_per_stream"),
            models.CheckConstraint(condition=Q(level_l__gte=0), name="waste_level_not_negative"),
            models.CheckConstraint(condition=Q(capacity_l__gt=0), name="waste_capacity_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.stream} {self.level_l} of {self.capacity_l} L"


class WasteCollection(models.Model):
    """One visit of a collector: called for, then done with a paper number, or cancelled with a reason."""

    class State(models.TextChoices):
        CALLED = "called"
        DONE = "done"
        CANCELLED = "cancelled"

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="collections")
    collector = models.ForeignKey("shop.Supplier", on_delete=models.PROTECT, related_name="collections")
    state = models.CharField(max_length=10, choices=State, default=State.CALLED)
    called_on = models.DateField()
    called_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    expected_on = models.DateField(null=True, blank=True)
    collected_on = models.DateField(null=True, blank=True)
    handed_over_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    paper_number = models.CharField(
        max_length=60, blank=True, help_text="Of the consignment or transfer note."
    )
    receipt = models.CharField(
        max_length=200, blank=True, help_text="Driver, vehicle, what the receipt says."
    )
    note = models.CharField(max_length=200, blank=True, help_text="Why below the minimum, or why cancelled.")

    class Meta:
        ordering = ["-called_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="done") | (Q(collected_on__isnull=False) & ~Q(paper_number="")),
                name="collection_done_has_day_and_paper",
            ),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(note=""), name="collection_cancelled_says_why"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.collector} {self.called_on} {self.state}"


class CollectionLine(models.Model):
    """One container of a visit: litres expected, and litres taken once they are."""

    collection = models.ForeignKey(WasteCollection, on_delete=models.PROTECT, related_name="lines")
    tank = models.ForeignKey(WasteTank, on_delete=models.PROTECT, related_name="collection_lines")
    stream = models.CharField(max_length=32, help_text="As it was when the collector was called.")
    waste_code = models.CharField(max_length=16, blank=True)
    expected_l = models.FloatField()
    collected_l = models.FloatField(null=True, blank=True)
    weighed_kg = models.FloatField(null=True, blank=True)
    is_open = models.BooleanField(default=True)

    class Meta:
        ordering = ["collection", "stream"]
        constraints = [
            models.UniqueConstraint(fields=["collection", "tank"], name="container_once_per_visit"),
            models.UniqueConstraint(
                fields=["tank"], condition=Q(is_open=True), name="container_called_for_once"
            ),
            models.CheckConstraint(
                condition=Q(expected_l__gte=0)
                & (Q(collected_l__isnull=True) | Q(collected_l__gte=0))
                & (Q(weighed_kg__isnull=True) | Q(weighed_kg__gte=0)),
                name="collected_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stream} {self.expected_l} L"


class WasteMovement(models.Model):
    """Litres poured into a container, collected from it, or put right by a dip; rows are only ever added."""

    class Reason(models.TextChoices):
        POURED = "poured"
        COLLECTED = "collected"
        DIPPED = "dipped"
        LOADED = "loaded"

    tank = models.ForeignKey(WasteTank, on_delete=models.PROTECT, related_name="movements")
    litres = models.FloatField(help_text="Positive in, negative out.")
    reason = models.CharField(max_length=10, choices=Reason, default=Reason.POURED)
    note = models.CharField(max_length=200, blank=True, help_text="Why; a dip needs it.")
    job = models.ForeignKey(
        "shop.Job", null=True, blank=True, on_delete=models.PROTECT, related_name="waste_movements"
    )
    collection = models.ForeignKey(
        WasteCollection, null=True, blank=True, on_delete=models.PROTECT, related_name="movements"
    )
    moved_at = models.DateTimeField()
    moved_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["-moved_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason="dipped") | ~Q(note=""), name="dip_says_why"),
        ]
        indexes = [models.Index(fields=["tank", "-moved_at"], name="waste_move_by_tank")]

    def __str__(self) -> str:
        return f"{self.litres:+} L {self.tank}"
