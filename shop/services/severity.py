"""Severity of a unit: factors added and ended, temperature hours typed, a measured step taken up."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from django.db import transaction

from intervals.measured_duty import END, NOTHING, measured_duty
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Person, SeverityFactor, TemperatureHours, Unit, Vehicle
from shop.selectors.severity_page import MEASURED_REASON, months_of, proposal_for
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now

LEAST_FACTOR, MOST_FACTOR = 0.5, 3.0
"""One reason alone; all together are held to 0.7 to 3.0 (`severity_from_duty`). House default, no source."""

COLDEST_C, HOTTEST_C = -40.0, 200.0
"""A fluid reported colder or hotter is a typing error or a broken sensor. Common practice, no source."""

HOURS_OF_A_DAY = 24.0


@dataclass(frozen=True, slots=True)
class FactorReport:
    """A reason a unit wears its fluid faster or slower, from a day on."""

    reason: str
    factor: float
    source: str
    applies_from: datetime.date


def factor_add(person: Person, unit: Unit, report: FactorReport) -> SeverityFactor:
    """Add a duty factor; from its day it takes the place of an earlier one of the same reason.

    Raises NotAllowed, InputError with the fields that are wrong, ConflictError when the reason begins on that day
    already with another figure; the same again changes nothing.
    """
    _allowed(person)
    wrong = {}
    if not (isfinite(report.factor) and LEAST_FACTOR <= report.factor <= MOST_FACTOR):
        wrong["factor"] = f"{report.factor:g} cannot be; allowed are {LEAST_FACTOR:g} to {MOST_FACTOR:g}."
    if not report.reason.strip():
        wrong["reason"] = "Say what makes the use harder or easier."
    if report.reason.strip() == MEASURED_REASON:
        wrong["reason"] = "That one is measured: type the temperature hours instead."
    if not report.source.strip():
        wrong["source"] = (
            "Say where the figure comes from: the maker's severe schedule, the house, who saw it."
        )
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    with transaction.atomic():
        Unit.objects.select_for_update(no_key=True).get(pk=unit.pk)
        held = SeverityFactor.objects.filter(
            unit=unit, reason=report.reason.strip(), applies_from=report.applies_from
        ).first()
        if held is not None:
            if held.factor == report.factor and held.source == report.source.strip():
                return held
            sentence = (
                f"“{held.reason}” begins on {held.applies_from} already with {held.factor:g}; end that one first or "
                "take another day."
            )
            raise ConflictError(sentence, fields={"applies_from": sentence})
        return _factor_write(person, unit, report, SeverityFactor.Basis.DUTY)


def factor_end(person: Person, factor: SeverityFactor, ends_on: datetime.date) -> SeverityFactor:
    """End a factor: `ends_on` is the first day it no longer counts. What was driven before keeps it."""
    _allowed(person)
    if ends_on <= factor.applies_from:
        sentence = f"It begins on {factor.applies_from}; end it on a later day."
        raise InputError(sentence, fields={"ends_on": sentence})
    with transaction.atomic():
        Unit.objects.select_for_update(no_key=True).get(pk=factor.unit_id)
        held = SeverityFactor.objects.select_related("unit").get(pk=factor.pk)
        if held.ends_on == ends_on:
            return held
        before = {"ends_on": held.ends_on}
        held.ends_on, held.ended_by = ends_on, person
        held.save(update_fields=["ends_on", "ended_by"])
        note = change_note(held, _key(held), before=before, after={"ends_on": ends_on})
        changes_write([note], person=person)
        _follow(held.unit)
    return held


def temperature_hours_record(
    person: Person,
    unit: Unit,
    month: datetime.date,
    hours_at: Mapping[float, float],
    unseen_h: float | None,
) -> list[TemperatureHours]:
    """Put a month of temperature hours on record, in place of what was there for that month.

    hours_at: middle of the band, °C → h. unseen_h: running hours the sensor did not see; None when not known.
    Raises NotAllowed, InputError with the fields that are wrong.
    """
    _allowed(person)
    _check_month(unit, month, hours_at, unseen_h)
    wanted: dict[float | None, float] = dict(hours_at)
    if unseen_h is not None:
        wanted[None] = unseen_h
    with transaction.atomic():
        Unit.objects.select_for_update(no_key=True).get(pk=unit.pk)
        held = list(TemperatureHours.objects.filter(unit=unit, month=month))
        before = {row.temp_c: row.hours for row in held}
        if before == wanted:
            return held
        TemperatureHours.objects.filter(unit=unit, month=month).delete()
        rows = TemperatureHours.objects.bulk_create(
            [
                TemperatureHours(unit=unit, month=month, temp_c=temp, hours=hours, entered_by=person)
                for temp, hours in wanted.items()
            ]
        )
        note = change_note(
            rows[0],
            f"{unit.code} {month:%Y-%m}",
            before=_named(before) if held else None,
            after=_named(wanted),
        )
        changes_write([note], person=person)
    return rows


def measured_use(person: Person, unit: Unit) -> SeverityFactor:
    """Take up what the temperature hours propose: a step of the measured severity, or its end.

    Raises NotAllowed, ConflictError when they propose nothing.
    """
    _allowed(person)
    with transaction.atomic():
        Unit.objects.select_for_update(no_key=True).get(pk=unit.pk)
        factors = list(unit.severity_factors.all())
        proposal = proposal_for(measured_duty(months_of(unit)), factors)
        if proposal.action == NOTHING or proposal.applies_from is None:
            raise ConflictError(f"There is nothing to take up. {proposal.sentence}")
        held = max(
            (one for one in factors if one.basis == SeverityFactor.Basis.MEASURED and one.ends_on is None),
            key=lambda one: one.applies_from,
            default=None,
        )
        if proposal.action == END and held is not None:
            return factor_end(person, held, proposal.applies_from)
        report = FactorReport(
            MEASURED_REASON, round(proposal.value or 1.0, 4), proposal.sentence[:200], proposal.applies_from
        )
        return _factor_write(person, unit, report, SeverityFactor.Basis.MEASURED)


def _factor_write(person: Person, unit: Unit, report: FactorReport, basis: str) -> SeverityFactor:
    values: dict[str, object] = {
        "reason": report.reason.strip(),
        "factor": report.factor,
        "basis": basis,
        "source": report.source.strip(),
        "applies_from": report.applies_from,
    }
    factor = SeverityFactor.objects.create(unit=unit, entered_by=person, **values)
    changes_write([change_note(factor, _key(factor), after=values)], person=person)
    _follow(unit)
    return factor


def _allowed(person: Person) -> None:
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change how hard a unit's duty is; ask the foreman.")


def _follow(unit: Unit) -> None:
    """Work the dates of the unit's vehicle out again."""
    due_refresh_now(
        Vehicle.objects.filter(fittings__unit=unit, fittings__removed_on__isnull=True).values_list(
            "pk", flat=True
        )
    )


def _check_month(
    unit: Unit, month: datetime.date, hours_at: Mapping[float, float], unseen_h: float | None
) -> None:
    wrong = {}
    depots = unit.fittings.filter(removed_on__isnull=True).values_list("vehicle__depot__time_zone", flat=True)
    today = clock.today(depots[0] if depots else "UTC")
    following = (month.replace(day=1) + datetime.timedelta(days=31)).replace(day=1)
    if month.day != 1 or following > today:
        wrong["month"] = f"{month:%Y-%m} is not over yet; give the first day of a month that is."
    if not hours_at:
        wrong["hours_at"] = "Give the hours of at least one temperature."
    if any(not COLDEST_C <= temp <= HOTTEST_C for temp in hours_at):
        wrong["hours_at"] = (
            f"A fluid is between {COLDEST_C:g} and {HOTTEST_C:g} °C; correct the temperatures."
        )
    hours = [*hours_at.values(), *([] if unseen_h is None else [unseen_h])]
    if any(not (isfinite(one) and one >= 0) for one in hours):
        wrong["hours_at"] = "Hours are zero or more; correct them."
    elif sum(hours) > (days := (following - month.replace(day=1)).days) * HOURS_OF_A_DAY:
        wrong["hours_at"] = f"{sum(hours):g} h do not fit into a month of {days} days; correct them."
    elif not sum(hours_at.values()):
        wrong["hours_at"] = "All hours are zero; give the hours the sensor saw."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def _named(hours: Mapping[float | None, float]) -> dict[str, object]:
    return {"not seen" if temp is None else f"{temp:g} °C": one for temp, one in hours.items()}


def _key(factor: SeverityFactor) -> str:
    return f"{factor.unit.code} {factor.reason} {factor.applies_from}"
