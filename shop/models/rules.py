"""Interval rules: what comes due after how far, how many hours or how many months, in versions from a date."""

from django.db import models
from django.db.models import Q

from shop.models.units import SOURCES


class IntervalRule(models.Model):
    """One subject of one unit model that comes due, optionally only on one kind of vehicle."""

    unit_model = models.ForeignKey("shop.UnitModel", on_delete=models.CASCADE, related_name="rules")
    subject = models.CharField(max_length=32, default="fluid")
    vehicle_kind = models.CharField(
        max_length=32, blank=True, help_text="Empty: any vehicle without its own rule."
    )

    class Meta:
        ordering = ["unit_model", "subject", "vehicle_kind"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit_model", "subject", "vehicle_kind"], name="one_rule_per_subject_and_kind"
            )
        ]

    def __str__(self) -> str:
        return f"{self.unit_model.code} {self.subject}"


class RuleVersion(models.Model):
    """The figures of a rule from a day on, until the next version; so versions cannot overlap."""

    class Policy(models.TextChoices):
        FULL_CREDIT = "full credit"
        AGE_CREDIT = "age credit"
        BY_SAMPLE = "by sample"

    class Cadence(models.TextChoices):
        FROM_JOB = "from the job"
        FROM_SCHEDULED = "from the scheduled point"

    rule = models.ForeignKey(IntervalRule, on_delete=models.CASCADE, related_name="versions")
    applies_from = models.DateField()
    interval_km = models.FloatField(null=True, blank=True)
    interval_h = models.FloatField(null=True, blank=True)
    interval_months = models.PositiveSmallIntegerField(null=True, blank=True)
    assumed_freshness_share = models.FloatField(
        default=1.0,
        help_text="Share of new fluid the interval takes for granted after a service; unknown: 1.",
    )
    cap_share = models.FloatField(default=1.0)
    cap_signed_by = models.CharField(max_length=80, blank=True)
    policy = models.CharField(max_length=12, choices=Policy, default=Policy.AGE_CREDIT)
    cadence = models.CharField(
        max_length=24,
        choices=Cadence,
        default=Cadence.FROM_JOB,
        help_text="What the next service counts from when the last one was done inside its window.",
    )
    opens_share = models.FloatField(default=0.10)
    closes_share = models.FloatField(default=0.10)
    source = models.CharField(max_length=8, choices=SOURCES, default="maker")
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["rule", "applies_from"]
        constraints = [
            models.UniqueConstraint(fields=["rule", "applies_from"], name="rule_version_starts_once"),
            models.CheckConstraint(
                condition=Q(interval_km__gt=0) | Q(interval_h__gt=0) | Q(interval_months__gt=0),
                name="rule_version_has_a_clock",
            ),
            models.CheckConstraint(
                condition=(Q(interval_km__isnull=True) | Q(interval_km__gt=0))
                & (Q(interval_h__isnull=True) | Q(interval_h__gt=0)),
                name="rule_intervals_above_zero",
            ),
            models.CheckConstraint(
                condition=Q(assumed_freshness_share__gt=0, assumed_freshness_share__lte=1),
                name="assumed_freshness_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(cap_share__lte=1) | ~Q(cap_signed_by=""), name="cap_above_1_is_signed"
            ),
            models.CheckConstraint(
                condition=Q(opens_share__gte=0, opens_share__lt=1, closes_share__gte=0, closes_share__lte=1),
                name="window_widths_are_shares",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} from {self.applies_from}"


class SeverityFactor(models.Model):
    """One reason a unit wears its fluid faster or slower, from a day on.

    The newest row of a reason counts until it ends or a later one begins. The product of the duty factors divides the
    interval; while a measured one holds it stands alone, because both would count the same heat twice.
    """

    class Basis(models.TextChoices):
        DUTY = "duty"
        MEASURED = "measured"

    unit = models.ForeignKey("shop.Unit", on_delete=models.CASCADE, related_name="severity_factors")
    reason = models.CharField(max_length=80)
    factor = models.FloatField()
    basis = models.CharField(max_length=8, choices=Basis, default=Basis.DUTY)
    source = models.CharField(max_length=200)
    applies_from = models.DateField()
    ends_on = models.DateField(null=True, blank=True, help_text="First day it no longer counts.")
    entered_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    ended_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["unit", "reason"]
        constraints = [
            models.UniqueConstraint(fields=["unit", "reason", "applies_from"], name="severity_reason_once"),
            models.CheckConstraint(condition=Q(factor__gt=0), name="severity_factor_above_zero"),
            models.CheckConstraint(
                condition=Q(ends_on__isnull=True) | Q(ends_on__gt=models.F("applies_from")),
                name="severity_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.reason} ×{self.factor}"


class TemperatureHours(models.Model):
    """Running hours of a unit in one month with its fluid at about one temperature."""

    unit = models.ForeignKey("shop.Unit", on_delete=models.CASCADE, related_name="temperature_hours")
    month = models.DateField(help_text="First day of the month.")
    temp_c = models.FloatField(
        null=True, blank=True, help_text="Middle of the band, °C; empty: hours the sensor did not see."
    )
    hours = models.FloatField()
    entered_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["unit", "month", "temp_c"]
        verbose_name_plural = "temperature hours"
        constraints = [
            models.UniqueConstraint(fields=["unit", "month", "temp_c"], name="temperature_band_once"),
            models.UniqueConstraint(
                fields=["unit", "month"], condition=Q(temp_c__isnull=True), name="hours_not_seen_once"
            ),
            models.CheckConstraint(
                condition=Q(hours__gte=0, hours__lte=744), name="temperature_hours_fit_a_month"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.month:%Y-%m}: {self.hours:g} h at {self.temp_c} °C"
