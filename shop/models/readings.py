"""Meters and their readings: raw and true kept apart, odd readings set aside and asked about."""

from django.db import models
from django.db.models import Q


class Meter(models.Model):
    """A counter on a vehicle; true totals are kept in km or hours whatever the meter shows."""

    class Kind(models.TextChoices):
        ODOMETER = "odometer"
        HOURS = "engine hours"
        TAKE_OFF = "power take-off hours"

    vehicle = models.ForeignKey("shop.Vehicle", on_delete=models.CASCADE, related_name="meters")
    kind = models.CharField(max_length=24, choices=Kind)
    shown_in = models.CharField(
        max_length=5, choices=[("km", "km"), ("mi", "mi"), ("h", "h"), ("hh:mm", "hh:mm")]
    )
    rolls_over_at = models.FloatField(null=True, blank=True)
    class_rate_per_day = models.FloatField(
        null=True,
        blank=True,
        help_text="Typical use of such a vehicle in km or h a day, until its own is known.",
    )

    class Meta:
        ordering = ["vehicle", "kind"]
        constraints = [
            models.UniqueConstraint(fields=["vehicle", "kind"], name="meter_kind_once_per_vehicle")
        ]

    def __str__(self) -> str:
        return f"{self.vehicle.number} {self.kind}"

    @property
    def counts_hours(self) -> bool:
        """Say whether its totals are hours; an odometer's are km."""
        return self.kind != Meter.Kind.ODOMETER


class MeterUse(models.Model):
    """What a meter's accepted readings come to, kept so that no run has to read them again.

    The database drops the row when a reading of the meter comes, changes or goes (`shop/services/kept_use.py`), and
    who needs it next works it out anew. Figures are those of `intervals.usage.Usage`; empty is not known.
    """

    meter = models.OneToOneField(Meter, on_delete=models.CASCADE, primary_key=True, related_name="use")
    rate_per_day = models.FloatField(null=True)
    sigma_per_sqrt_day = models.FloatField(null=True)
    last_total = models.FloatField(null=True)
    last_day = models.DateField(null=True)
    intervals_used = models.IntegerField()
    is_class_rate = models.BooleanField()
    reason = models.SmallIntegerField(help_text="Place in `intervals.usage.REASONS`.")
    busiest_per_day = models.FloatField(
        null=True, help_text="Most use a day between two readings, km or h, where there are enough to tell."
    )

    def __str__(self) -> str:
        return f"use of {self.meter_id}"


class MeterChange(models.Model):
    """The meter was replaced or rolled over; values as the meter showed them."""

    class Kind(models.TextChoices):
        REPLACED = "replaced"
        ROLLED_OVER = "rolled over"

    meter = models.ForeignKey(Meter, on_delete=models.CASCADE, related_name="changes")
    day = models.DateField()
    kind = models.CharField(max_length=12, choices=Kind)
    last_old = models.FloatField()
    first_new = models.FloatField()

    class Meta:
        ordering = ["meter", "day"]
        constraints = [
            models.UniqueConstraint(fields=["meter", "day"], name="meter_change_once_a_day"),
            models.CheckConstraint(
                condition=Q(last_old__gte=0, first_new__gte=0), name="meter_change_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.meter}: {self.kind} {self.day}"


class Reading(models.Model):
    """One value somebody or something read off a meter. Never overwritten; what was typed stays."""

    class Status(models.TextChoices):
        ACCEPTED = "accepted"
        ASKED = "asked"
        REFUSED = "refused"

    class Source(models.TextChoices):
        WORKSHOP = "workshop"
        TELEMATICS = "telematics"
        DRIVER = "driver"
        FUEL_CARD = "fuel card"

    # Found by the keys below that begin with it: an index of its own would only cost each write.
    meter = models.ForeignKey(Meter, on_delete=models.CASCADE, related_name="readings", db_index=False)
    read_at = models.DateTimeField()
    read_on = models.DateField(help_text="The depot's local day of the reading.")
    source = models.CharField(max_length=12, choices=Source)
    raw_text = models.CharField(max_length=32)
    raw_value = models.FloatField(help_text="In the unit the meter shows.")
    true_total = models.FloatField(
        null=True, blank=True, help_text="km or h since new, meter changes taken in."
    )
    status = models.CharField(max_length=8, choices=Status, default=Status.ACCEPTED)
    question_code = models.CharField(max_length=24, blank=True)
    question = models.CharField(max_length=240, blank=True)
    guess_value = models.FloatField(
        null=True, blank=True, help_text="What the reading probably meant, as the meter shows."
    )
    answer = models.CharField(max_length=120, blank=True)
    answered_by = models.ForeignKey(
        "shop.Person",
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="answered_readings",
        db_index=False,
    )

    class Meta:
        ordering = ["meter", "-read_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "read_at", "source"], name="one_reading_per_source_and_instant"
            ),
            models.CheckConstraint(condition=Q(raw_value__gte=0), name="reading_not_negative"),
            models.CheckConstraint(
                condition=~Q(status="accepted") | Q(true_total__isnull=False),
                name="accepted_reading_has_a_total",
            ),
        ]
        indexes = [
            models.Index(fields=["meter", "-read_on"], condition=Q(status="accepted"), name="reading_latest"),
            models.Index(fields=["meter"], condition=Q(status="asked"), name="readings_asked"),
            models.Index(
                fields=["answered_by"], condition=Q(answered_by__isnull=False), name="readings_answered"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.meter} {self.raw_text} on {self.read_on}"
