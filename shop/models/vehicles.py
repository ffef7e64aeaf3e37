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
    average_speed_km_h = models.FloatField(
        null=True,
        blank=True,
        help_text="Without an hour meter, engine hours are guessed from the distance by it.",
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
            models.CheckConstraint(
                condition=Q(average_speed_km_h__isnull=True) | Q(average_speed_km_h__gt=0),
                name="average_speed_above_zero",
            ),
        ]
        indexes = [
            models.Index(
                fields=["leaves_on"], condition=Q(leaves_on__isnull=False), name="vehicles_that_leave"
            )
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class Hold(models.Model):
    """A reason not to do the work now; it lies over the due state and never changes it.

    A signed deferral is about one due line, lasts until a day or an earlier meter total, and keeps what its signer saw.
    """

    class Kind(models.TextChoices):
        RECALL = "recall"
        STOP_GATE = "stop gate"
        DEFERRAL = "deferral"

    vehicle = models.ForeignKey(Vehicle, on_delete=models.CASCADE, related_name="holds")
    unit = models.ForeignKey(
        "shop.Unit", null=True, blank=True, on_delete=models.CASCADE, related_name="holds"
    )
    rule = models.ForeignKey(
        "shop.IntervalRule",
        null=True,
        blank=True,
        on_delete=models.CASCADE,
        related_name="holds",
        help_text="The due line it is about; empty: every line of the unit.",
    )
    kind = models.CharField(max_length=12, choices=Kind)
    reason = models.CharField(max_length=200)
    from_day = models.DateField()
    until = models.DateField(null=True, blank=True, help_text="First day the hold no longer counts.")
    until_meter = models.ForeignKey(
        "shop.Meter", null=True, blank=True, on_delete=models.CASCADE, related_name="holds"
    )
    until_total = models.FloatField(
        null=True, blank=True, help_text="True total of that meter, km or h, at which it ends before its day."
    )
    signed_by = models.CharField(max_length=150, blank=True)
    answers_for = models.CharField(
        max_length=80, blank=True, help_text="Who answers for a warranty or safety item that runs past due."
    )
    share_then = models.FloatField(
        null=True,
        blank=True,
        help_text="Place in the interval on its last day, as the signer saw it; 1 is due.",
    )
    ended_on = models.DateField(null=True, blank=True, help_text="Ended by a person on this day.")
    ended_by = models.CharField(max_length=150, blank=True)
    ended_why = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "kind", "from_day"], condition=Q(unit__isnull=True), name="hold_once"
            ),
            models.UniqueConstraint(
                fields=["unit", "kind", "from_day"],
                condition=Q(unit__isnull=False, rule__isnull=True),
                name="hold_of_unit_once",
            ),
            models.UniqueConstraint(
                fields=["unit", "rule", "kind", "from_day"],
                condition=Q(rule__isnull=False, ended_on__isnull=True),
                name="hold_of_line_once",
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gt=models.F("from_day")),
                name="hold_ends_after_it_starts",
            ),
            models.CheckConstraint(
                condition=Q(until_meter__isnull=True, until_total__isnull=True)
                | Q(until_meter__isnull=False, until_total__gt=0, until__isnull=False),
                name="hold_total_has_a_meter_and_a_day",
            ),
            models.CheckConstraint(
                condition=Q(ended_on__isnull=True) | ~Q(ended_by=""), name="hold_is_ended_by_a_person"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle.number}: {self.kind}"
