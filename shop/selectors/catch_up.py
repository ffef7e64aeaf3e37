"""The units whose fluid history is not known, riskiest first, and the weeks it takes to work them off."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from intervals.catch_up import catch_up_weeks, week_of
from shop import clock
from shop.models import DueLine, Fitting, Job, LastService, Person, UnitModel
from shop.selectors.access import depots_of, due_lines_of, jobs_of
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due import LEAVING

LOOK_WEEKS = 12
"""Weeks looked back for jobs closed and ahead for jobs falling due. House default."""

HOUSE_CAPACITY_PER_WEEK = 18.0
"""Jobs a week where no closed job is on record. House default."""

AUTOMATIC = (UnitModel.Kind.AUTOMATIC, UnitModel.Kind.VARIATOR)
FLUID = "fluid"


@dataclass(frozen=True, slots=True)
class QueuedUnit:
    """One unit of the queue.

    run_km, run_h: what it has run in all, None when not known. intervals_run: the same in its own intervals, by the
    clock that gives the most. is_h_guessed: the hours are guessed from the distance. week, week_from: in which week it
    is done; None when never.
    """

    line: DueLine
    run_km: float | None
    run_h: float | None
    intervals_run: float | None
    is_automatic: bool
    is_h_guessed: bool
    week: int | None = None
    week_from: date | None = None


@dataclass(frozen=True, slots=True)
class CatchUp:
    """The queue and what its length follows from; weeks is None when it is never caught up."""

    as_of: date
    units: tuple[QueuedUnit, ...]
    capacity_per_week: float
    capacity_from: str
    normal_per_week: float
    weeks: int | None
    done_by: date | None
    sentence: str


def catch_up(person: Person, capacity_per_week: float | None = None) -> CatchUp:
    """Return the units without any known service of their fluid, spread over the weeks that capacity leaves.

    capacity_per_week: jobs a week that can be done in all; None takes what was closed of late, else the house's.
    """
    depots = list(depots_of(person))
    as_of = min((clock.today(depot.time_zone) for depot in depots), default=clock.today("UTC"))
    lines = _unknown(due_lines_of(person).filter(state="cannot say", rule__subject=FLUID))
    queue = sorted(_measured(lines, as_of), key=_riskiest_first)
    capacity, capacity_from = _capacity(person, as_of, capacity_per_week)
    normal = _normal_per_week(person, as_of)
    placed = tuple(_placed(own, place, capacity, normal, as_of) for place, own in enumerate(queue))
    weeks = catch_up_weeks(len(placed), capacity, normal)
    done_by = None if not weeks else _week_from(as_of, weeks) + timedelta(days=6)
    sentence = _sentence(len(placed), capacity, normal, weeks)
    return CatchUp(as_of, placed, capacity, capacity_from, normal, weeks, done_by, sentence)


def _unknown(lines: Iterable[DueLine]) -> list[DueLine]:
    """Keep the lines whose unit has no service of its fluid on record; what leaves soon is not worth it."""
    lines = [line for line in lines if LEAVING not in line.overlays]
    known = set(
        LastService.objects.filter(unit__in=[line.unit_id for line in lines], subject=FLUID).values_list(
            "unit", flat=True
        )
    )
    return [line for line in lines if line.unit_id not in known]


def _measured(lines: list[DueLine], as_of: date) -> list[QueuedUnit]:
    by_unit = {(line.unit_id, line.rule_id): line for line in lines}
    inputs = gather(as_of, Fitting.objects.filter(unit__in=[line.unit_id for line in lines]))
    queue = []
    for row, own in enumerate(inputs.lines):
        line = by_unit.get((own.fitting.unit_id, own.rule.pk))
        if line is None:
            continue
        run_km, run_h = _runs(inputs, row)
        lives = [
            run / float(interval)
            for run, interval in (
                (run_km, inputs.distance.interval[row]),
                (run_h, inputs.hours.interval[row]),
            )
            if run is not None and np.isfinite(interval)
        ]
        is_automatic = own.fitting.unit.unit_model.kind in AUTOMATIC
        is_h_guessed = math.isfinite(own.guess_km_h)
        queue.append(QueuedUnit(line, run_km, run_h, max(lives, default=None), is_automatic, is_h_guessed))
    return queue


def _runs(inputs: CoreInputs, row: int) -> tuple[float | None, float | None]:
    """Return what a unit has run in all by its vehicle's last readings, km and h."""
    line = inputs.lines[row]
    fitting = line.fitting
    run_km = float(inputs.distance_usage.last_total[row]) - fitting.vehicle_km_at_fit + fitting.unit_km_at_fit
    if math.isfinite(line.guess_km_h):
        run_h = run_km / line.guess_km_h
    else:
        run_h = float(inputs.hours_usage.last_total[row]) - fitting.vehicle_h_at_fit + fitting.unit_h_at_fit
    return (run_km if math.isfinite(run_km) else None), (run_h if math.isfinite(run_h) else None)


def _riskiest_first(own: QueuedUnit) -> tuple[bool, float, str]:
    """Order automatic gearboxes before the rest, then by the most run; an unknown run counts as the most."""
    run = math.inf if own.intervals_run is None else own.intervals_run
    return not own.is_automatic, -run, own.line.unit.code


def _capacity(person: Person, as_of: date, typed: float | None) -> tuple[float, str]:
    if typed is not None:
        return typed, "typed"
    closed = jobs_of(person).filter(
        state=Job.State.HANDED_BACK, done_on__gt=as_of - timedelta(weeks=LOOK_WEEKS), done_on__lte=as_of
    )
    count = closed.count()
    if count == 0:
        return HOUSE_CAPACITY_PER_WEEK, "house default: no closed job on record"
    jobs = f"{count} job{'s' if count != 1 else ''}"
    return round(count / LOOK_WEEKS, 1), f"{jobs} closed in the last {LOOK_WEEKS} weeks"


def _normal_per_week(person: Person, as_of: date) -> float:
    """Return the jobs that fall due in an average week of those to come."""
    coming = due_lines_of(person).filter(due_on__gte=as_of, due_on__lt=as_of + timedelta(weeks=LOOK_WEEKS))
    return round(coming.count() / LOOK_WEEKS, 1)


def _placed(own: QueuedUnit, place: int, capacity: float, normal: float, as_of: date) -> QueuedUnit:
    week = week_of(place, capacity, normal)
    week_from = None if week is None else _week_from(as_of, week)
    return replace(own, week=week, week_from=week_from)


def _week_from(as_of: date, week: int) -> date | None:
    """Return the Monday of a week of the queue; the first week is the next to begin, today's if it is a Monday."""
    first = as_of + timedelta(days=-as_of.weekday() % 7)
    return first + timedelta(weeks=week - 1)


def _sentence(units: int, capacity: float, normal: float, weeks: int | None) -> str:
    if units == 0:
        return "Every unit has a service of its fluid on record: nothing to catch up."
    many = f"{units} unit{'s' if units != 1 else ''}"
    if weeks is None:
        return (
            f"Cannot say when: never caught up. {capacity:g} jobs a week are no more than the {normal:g} that fall "
            f"due anyway; {many} would wait for ever."
        )
    return (
        f"{many} of unknown history, {capacity:g} jobs a week less {normal:g} that fall due anyway: caught up in "
        f"{weeks} week{'s' if weeks != 1 else ''}."
    )
