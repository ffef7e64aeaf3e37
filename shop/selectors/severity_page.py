"""One unit's severity page: what counts now and why, the split of its run, the factors, the temperature hours."""

import datetime
from collections import defaultdict
from dataclasses import dataclass

from django.db.models import QuerySet

from intervals.duty import FACTORS, DutyFactor, SeverityStep
from intervals.measured_duty import (
    MeasuredDuty,
    MonthHours,
    SeverityProposal,
    measured_duty,
    propose_severity,
)
from intervals.rules import add_months
from shop import clock
from shop.models import ChangeRecord, DueLine, Person, SeverityFactor, TemperatureHours, Unit, Vehicle
from shop.selectors.access import due_lines_of, units_of
from shop.selectors.due_today import explained
from shop.selectors.severity import ORDINARY, severity_by
from shop.selectors.units import unit_find

MEASURED_REASON = "fluid temperature"
HISTORY_ROWS = 20


@dataclass(frozen=True, slots=True)
class FactorRow:
    """A factor and what it does today: "counts", "ended", "replaced", "not yet begun" or "set aside"."""

    factor: SeverityFactor
    standing: str

    @property
    def can_end(self) -> bool:
        """Whether it still has an end ahead that a person may set."""
        return self.standing in ("counts", "set aside", "not yet begun")


@dataclass(frozen=True, slots=True)
class SeverityPage:
    """Everything the page and the API show of one unit's severity."""

    unit: Unit
    vehicle: Vehicle
    today: datetime.date
    value: float
    basis: str
    steps: tuple[SeverityStep, ...]
    factors: list[FactorRow]
    months: list[MonthHours]
    measured: MeasuredDuty
    proposal: SeverityProposal
    lines: list[DueLine]
    changes: list[ChangeRecord]
    published: tuple[DutyFactor, ...]


def severity_page(person: Person, code: str) -> SeverityPage | None:
    """Gather a unit's severity; None when the person may not see it or it does not exist."""
    unit = unit_find(person, code)
    if unit is None:
        return None
    vehicle = (
        Vehicle.objects.filter(fittings__unit=unit, fittings__removed_on__isnull=True)
        .select_related("depot")
        .get()
    )
    today = clock.today(vehicle.depot.time_zone)
    factors = list(
        unit.severity_factors.select_related("entered_by", "ended_by").order_by(
            "reason", "-applies_from", "-pk"
        )
    )
    begun = [factor for factor in factors if factor.applies_from <= today]
    now = severity_by(begun, today) if begun else ORDINARY
    months = months_of(unit)
    measured = measured_duty(months)
    return SeverityPage(
        unit=unit,
        vehicle=vehicle,
        today=today,
        value=now.steps[-1].value,
        basis=_basis(now.factors),
        steps=now.steps,
        factors=[FactorRow(factor, _standing(factor, factors, now.factors, today)) for factor in factors],
        months=months,
        measured=measured,
        proposal=proposal_for(measured, factors),
        lines=explained(due_lines_of(person).filter(unit=unit, rule__subject="fluid")),
        changes=list(
            ChangeRecord.objects.filter(
                table__in=[SeverityFactor._meta.verbose_name, TemperatureHours._meta.verbose_name],
                key__startswith=f"{unit.code} ",
            ).select_related("changed_by", "import_run")[:HISTORY_ROWS]
        ),
        published=FACTORS,
    )


def factors_of(person: Person) -> QuerySet[SeverityFactor]:
    """Return the severity factors of units the person may see."""
    return SeverityFactor.objects.filter(unit__in=units_of(person)).select_related(
        "unit", "entered_by", "ended_by"
    )


def months_of(unit: Unit) -> list[MonthHours]:
    """Return a unit's months of temperature hours, the newest first."""
    bands: dict[datetime.date, dict[float, float]] = defaultdict(dict)
    unseen: dict[datetime.date, float] = {}
    for row in unit.temperature_hours.all():
        if row.temp_c is None:
            unseen[row.month] = row.hours
        else:
            bands[row.month][row.temp_c] = row.hours
    months = sorted({*bands, *unseen}, reverse=True)
    return [MonthHours(month, bands.get(month, {}), unseen.get(month)) for month in months]


def proposal_for(measured: MeasuredDuty, factors: list[SeverityFactor]) -> SeverityProposal:
    """Return what the temperature hours of a unit propose, given its factors."""
    held = [
        factor
        for factor in factors
        if factor.basis == SeverityFactor.Basis.MEASURED and factor.ends_on is None
    ]
    since = max((factor.applies_from for factor in held), default=None)
    if not measured.months:
        return propose_severity(measured, 1.0, since)
    last_day = add_months(measured.months[-1], 1) - datetime.timedelta(days=1)
    return propose_severity(measured, severity_by(factors, last_day).steps[-1].value, since)


def _basis(factors: tuple[SeverityFactor, ...]) -> str:
    if not factors:
        return "none"
    return factors[0].basis


def _standing(
    factor: SeverityFactor,
    factors: list[SeverityFactor],
    counting: tuple[SeverityFactor, ...],
    today: datetime.date,
) -> str:
    if factor in counting:
        return "counts"
    if factor.applies_from > today:
        return "not yet begun"
    if factor.ends_on is not None and factor.ends_on <= today:
        return "ended"
    later = [
        one
        for one in factors
        if one.reason == factor.reason and factor.applies_from < one.applies_from <= today
    ]
    return "replaced" if later else "set aside"
