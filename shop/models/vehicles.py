"""Vehicles and the holds laid on them."""

from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses


class Vehicle(models.Model):
    """A vehicle of a depot; the fluids live in the units it carries."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="vehicles")
    number = models.CharField(
        max_length=24, unique=True, validators=[in_addresses], help_text="The fleet's own number, used once."
    )
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=32)
    season = models.ForeignKey(
        "shop.Season", null=True, blank=True, on_delete=models.PROTECT, related_name="vehicles"
    )
    in_season_per_day = models.FloatField(
        null=True, blank=True, help_text="Expected use per calendar day inside the season."
    )
    off_season_per_day = models.FloatField(
        null=True, blank=True, help_text="Expected use per calendar day outside it."
    )
    leaves_on = models.DateField(null=True, blank=True)
    warranty_until = models.DateField(null=True, blank=True)
    spare_from = models.DateField(null=True, blank=True, help_text="First day a spare vehicle can stand in.")
    turns_up_share = models.FloatField(
        null=True, blank=True, help_text="Share of bookings kept; empty: house default."
    )
    passes_gate_share = models.FloatField(
        null=True, blank=True, help_text="Chance to pass the stop gate; empty: 1."
    )
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(turns_up_share__isnull=True) | Q(turns_up_share__range=(0, 1)),
                name="turns_up_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(passes_gate_share__isnull=True) | Q(passes_gate_share__range=(0, 1)),
                name="passes_gate_is_a_share",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class Hold(models.Model):
    """A reason not to do the work now; it lies over the due state and never changes it."""

    class Kind(models.TextChoices):
        RECALL = "recall"
        STOP_GATE = "stop gate"
        DEFERRAL = "deferral"

    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="holds")
    unit = models.ForeignKey(
        "shop.Unit", null=True, blank=True, on_delete=models.CASCADE, related_name="holds"
    )
    kind = models.CharField(max_length=12, choices=Kind)
    reason = models.CharField(max_length=200)
    from_day = models.DateField()
    until = models.DateField(null=True, blank=True, help_text="First day the hold no longer counts.")
    signed_by = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["vehicle", "kind", "from_day"], name="hold_once"),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gt=models.F("from_day")),
                name="hold_ends_after_it_starts",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle.number}: {self.kind}"
