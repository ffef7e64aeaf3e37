"""Depots: the places a fleet lives in, with their local time, units and closed days."""

import datetime
import zoneinfo

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses


def check_time_zone(name: str) -> None:
    """Refuse a name the IANA time-zone database does not hold."""
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError) as error:
        raise ValidationError(f"“{name}” is no IANA time zone; write one like Europe/Berlin.") from error


class Depot(models.Model):
    """One site with its own local day, paper size and units of measure."""

    class Paper(models.TextChoices):
        A4 = "A4"
        LETTER = "Letter"

    code = models.CharField(max_length=12, unique=True, validators=[in_addresses])
    name = models.CharField(max_length=80)
    time_zone = models.CharField(max_length=64, default="UTC", validators=[check_time_zone])
    distance_unit = models.CharField(max_length=2, choices=[("km", "km"), ("mi", "mi")], default="km")
    volume_unit = models.CharField(max_length=8, choices=[("L", "L"), ("US gal", "US gal")], default="L")
    paper = models.CharField(max_length=6, choices=Paper, default=Paper.A4)
    currency = models.CharField(max_length=3, default="EUR")
    daily_run_at = models.TimeField(default=datetime.time(5, 30))
    purge_l = models.FloatField(
        null=True, blank=True,
        help_text="New fluid run to waste through the shared filling line at each change of fluid; empty: not known.",
    )  # fmt: skip
    stores_at = models.ForeignKey(
        "self",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="The depot whose shelf serves this one; empty: its own shelf.",
    )

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(purge_l__isnull=True) | Q(purge_l__gte=0), name="purge_not_negative"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.code})"


class Season(models.Model):
    """A yearly spell, written as month and day, in which a group of vehicles is used (or must not be touched)."""

    code = models.CharField(max_length=24, unique=True)
    opens_month = models.PositiveSmallIntegerField()
    opens_day = models.PositiveSmallIntegerField()
    closes_month = models.PositiveSmallIntegerField()
    closes_day = models.PositiveSmallIntegerField()
    is_no_touch = models.BooleanField(
        default=False, help_text="Vehicles are not offered for service inside the season."
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(opens_month__range=(1, 12), closes_month__range=(1, 12)),
                name="season_month_exists",
            ),
            models.CheckConstraint(
                condition=Q(opens_day__range=(1, 31), closes_day__range=(1, 31)), name="season_day_exists"
            ),
        ]

    def __str__(self) -> str:
        return self.code


class ClosedDay(models.Model):
    """A day on which a depot or a supplier does not work, on top of weekends."""

    depot = models.ForeignKey(
        Depot, null=True, blank=True, on_delete=models.CASCADE, related_name="closed_days"
    )
    supplier = models.ForeignKey(
        "shop.Supplier", null=True, blank=True, on_delete=models.CASCADE, related_name="closed_days"
    )
    day = models.DateField()
    note = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(depot__isnull=False, supplier__isnull=True)
                | Q(depot__isnull=True, supplier__isnull=False),
                name="closed_day_has_one_owner",
            ),
            models.UniqueConstraint(
                fields=["depot", "day"], condition=Q(supplier__isnull=True), name="depot_closed_day_once"
            ),
            models.UniqueConstraint(
                fields=["supplier", "day"], condition=Q(depot__isnull=True), name="supplier_closed_day_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.day}"
