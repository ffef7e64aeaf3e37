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
    """One reason a unit wears its fluid faster or slower; the product of a unit's factors divides its interval."""

    unit = models.ForeignKey("shop.Unit", on_delete=models.CASCADE, related_name="severity_factors")
    reason = models.CharField(max_length=80)
    factor = models.FloatField()
    source = models.CharField(max_length=80)
    applies_from = models.DateField()

    class Meta:
        ordering = ["unit", "reason"]
        constraints = [
            models.UniqueConstraint(fields=["unit", "reason", "applies_from"], name="severity_reason_once"),
            models.CheckConstraint(condition=Q(factor__gt=0), name="severity_factor_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.reason} ×{self.factor}"
