"""What a workshop measures with, and what a laboratory measured for it."""

import datetime

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from intervals.exchange.sampling import CONTENT_SD_SHARE
from shop.models.codes import in_addresses
from shop.models.units import SOURCES


class MeasuringTool(models.Model):
    """A tray, jug, scale or stick of one depot: how far it may be off, and how far it is known to be off.

    `reading_error_share` is (read - true)/read; a reading is corrected by it from `error_since` on.
    """

    class Kind(models.TextChoices):
        TRAY = "tray"
        JUG = "jug"
        SCALE = "scale"
        STICK = "stick"

    class LimitUnit(models.TextChoices):
        PERCENT = "%"
        GRAM = "g"
        MILLIMETRE = "mm"

    LIMIT_UNITS = {
        Kind.TRAY: [LimitUnit.PERCENT],
        Kind.JUG: [LimitUnit.PERCENT],
        Kind.SCALE: [LimitUnit.GRAM, LimitUnit.PERCENT],
        Kind.STICK: [LimitUnit.MILLIMETRE],
    }

    code = models.CharField(max_length=12, unique=True, validators=[in_addresses])
    depot = models.ForeignKey("shop.Depot", on_delete=models.CASCADE, related_name="tools")
    kind = models.CharField(max_length=8, choices=Kind)
    limit = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(0.0)],
        help_text="Error limit, ±; empty: not known.",
    )
    limit_unit = models.CharField(max_length=2, choices=LimitUnit, default=LimitUnit.PERCENT)
    calibrated_until = models.DateField(null=True, blank=True)
    is_out_of_use = models.BooleanField(default=False)
    reading_error_share = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(-0.5), MaxValueValidator(0.5)],
        help_text="(read - true)/read; above zero where it shows too much; empty: not known.",
    )
    error_source = models.CharField(max_length=8, choices=SOURCES, blank=True)
    error_since = models.DateField(
        null=True, blank=True, help_text="Readings from this day on are corrected."
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(limit__isnull=True) | Q(limit__gte=0), name="tool_limit_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(reading_error_share__isnull=True)
                | Q(reading_error_share__range=(-0.5, 0.5), error_since__isnull=False),
                name="reading_error_is_a_share_with_a_day",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    def is_calibrated_on(self, day: datetime.date) -> bool:
        """Say whether its calibration holds on a day; without an end it always does."""
        return self.calibrated_until is None or self.calibrated_until >= day

    def error_on(self, day: datetime.date) -> float:
        """Return the error its readings of a day are corrected by; 0 where none is known."""
        if self.reading_error_share is None or self.error_since is None or self.error_since > day:
            return 0.0
        return float(self.reading_error_share)


class FluidSample(models.Model):
    """An additive element in the old fluid, the new fluid and after one job, as a laboratory found it.

    A person accepts it, and then the job's fresh share is the measured one.
    """

    class State(models.TextChoices):
        RECORDED = "recorded"
        ACCEPTED = "accepted"
        DECLINED = "declined"

    job = models.ForeignKey("shop.Job", on_delete=models.CASCADE, related_name="samples")
    taken_on = models.DateField()
    element = models.CharField(max_length=12, help_text="E.g. Ca, Zn or P.")
    before_mg_kg = models.FloatField()
    new_mg_kg = models.FloatField()
    after_mg_kg = models.FloatField()
    sd_share = models.FloatField(
        default=CONTENT_SD_SHARE, help_text="Standard deviation of one content, as a share of it."
    )
    laboratory_ref = models.CharField(max_length=40, help_text="The laboratory's own number of the report.")
    note = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=8, choices=State, default=State.RECORDED)
    computed_share = models.FloatField(
        null=True, blank=True, help_text="What the job said before the measured share took its place."
    )
    recorded_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    decided_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-taken_on", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "element", "laboratory_ref"], name="sample_once"),
            models.CheckConstraint(
                condition=Q(
                    before_mg_kg__gte=0, new_mg_kg__gte=0, after_mg_kg__gte=0, sd_share__gt=0, sd_share__lt=1
                ),
                name="sample_contents_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(state="recorded") | Q(decided_at__isnull=False),
                name="sample_decision_has_an_instant",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job} {self.element} {self.laboratory_ref}"
