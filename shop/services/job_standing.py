"""What a job leaves behind beside the age of its fluid: the severity that age was run with, and its scheduled point."""

import datetime
from dataclasses import dataclass
from math import isfinite

from intervals.due import CLOCKS, STATES
from shop.models import Fitting, LastService
from shop.selectors.core_inputs import CoreInputs, gather
from shop.services.last_service import Done, Totals

IN_WINDOW = ("window open", "due")
OF_A_JOB = ("age_severity_km", "age_severity_h", "scheduled_on", "scheduled_unit_km", "scheduled_unit_h")
"""Fields of a last service that hold for one job only."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What is noted on the last-service row of a job.

    Attributes:
        age_severity_km, age_severity_h: mean severity of the age carried over; None where it is that of the day.
        scheduled_on, scheduled_unit_km, scheduled_unit_h: the point the job was scheduled at by the clock that decided
            it; None on the others, and on all when it was done outside its window.
    """

    age_severity_km: float | None = None
    age_severity_h: float | None = None
    scheduled_on: datetime.date | None = None
    scheduled_unit_km: float | None = None
    scheduled_unit_h: float | None = None


def standing_at(fitting: Fitting, done: Done, totals: Totals, *, is_whole: bool) -> Standing:
    """Return what a job on its day leaves behind; read before the job is written.

    is_whole: the job renewed as much as its rule takes for granted. One that did not counts from itself.
    """
    inputs = gather(done.done_on, Fitting.objects.filter(pk=fitting.pk))
    row = next((at for at, line in enumerate(inputs.lines) if line.rule.subject == done.subject), None)
    if row is None or inputs.lines[row].last is None:
        return Standing()
    severity_km = _mean_severity(inputs, row, totals, is_distance=True)
    severity_h = _mean_severity(inputs, row, totals, is_distance=False)
    result = inputs.due(done.done_on)
    if not is_whole or STATES[result.state[row]] not in IN_WINDOW:
        return Standing(severity_km, severity_h)
    clock = CLOCKS[result.binding[row]]
    left_days = float(inputs.time.next_days[row] - inputs.time.since_days[row])
    return Standing(
        severity_km,
        severity_h,
        scheduled_on=done.done_on + datetime.timedelta(days=round(left_days)) if clock == "time" else None,
        scheduled_unit_km=_point(inputs, row, totals.km, is_distance=True) if clock == "distance" else None,
        scheduled_unit_h=_point(inputs, row, totals.h, is_distance=False) if clock == "hours" else None,
    )


def standing_keep(last: LastService, standing: Standing) -> None:
    """Note a standing on a unit's last-service row (not saved)."""
    for name in OF_A_JOB:
        setattr(last, name, getattr(standing, name))


def schedule_drop(last: LastService) -> None:
    """Let a last-service row (not saved) count from its job: it renewed less than was thought."""
    last.scheduled_on = last.scheduled_unit_km = last.scheduled_unit_h = None


def _driven(inputs: CoreInputs, row: int, total: float | None, *, is_distance: bool) -> tuple[float, float]:
    """Return the run since the last job up to a total, and what it counts as at the severity of the day."""
    last, wear = inputs.lines[row].last, inputs.distance_wear if is_distance else inputs.hours_wear
    begin = None if last is None else (last.unit_km if is_distance else last.unit_h)
    if begin is None or total is None:
        return float("nan"), float("nan")
    run = max(0.0, total - begin)
    return run, run + float(wear.extra_run[row])


def _point(inputs: CoreInputs, row: int, total: float | None, *, is_distance: bool) -> float | None:
    clock = inputs.distance if is_distance else inputs.hours
    _, counted = _driven(inputs, row, total, is_distance=is_distance)
    left = float(clock.next_run[row]) - counted
    return total + left if total is not None and isfinite(left) else None


def _mean_severity(inputs: CoreInputs, row: int, totals: Totals, *, is_distance: bool) -> float | None:
    """Return the mean severity of all the fluid has run, each stretch with its own; None where that is today's."""
    line = inputs.lines[row]
    last, wear = line.last, inputs.distance_wear if is_distance else inputs.hours_wear
    age = None if last is None else (last.age_km if is_distance else last.age_h)
    run, counted = _driven(inputs, row, totals.km if is_distance else totals.h, is_distance=is_distance)
    if age is None or not isfinite(run) or age + run <= 0:
        return None
    mean = (age * float(wear.age_factor[row]) + counted) / (age + run)
    return None if abs(mean - 1.0) < 1e-9 else line.severity * mean
