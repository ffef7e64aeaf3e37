"""The scheduled point of the last job, where a rule counts the next one from it instead of from the job."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from shop.models import LastService, RuleVersion

if TYPE_CHECKING:
    from shop.selectors.core_inputs import Line

FloatArray = npt.NDArray[np.float64]


def scheduled_runs(lines: Sequence["Line"], *, is_distance: bool) -> FloatArray:
    """Return how far after the last job its scheduled point lay, km or h; below zero before it, 0 where none counts."""
    return np.array([_run(line, is_distance=is_distance) for line in lines], dtype=np.float64)


def scheduled_days(lines: Sequence["Line"]) -> FloatArray:
    """Return the same for the calendar, in days."""
    return np.array([_days(line) for line in lines], dtype=np.float64)


def counts_from_schedule(line: "Line") -> bool:
    """Say whether a line's next service counts from the scheduled point of its last."""
    last = line.last
    return (
        last is not None
        and line.version.cadence == RuleVersion.Cadence.FROM_SCHEDULED
        and (last.scheduled_on, last.scheduled_unit_km, last.scheduled_unit_h) != (None, None, None)
    )


def _run(line: "Line", *, is_distance: bool) -> float:
    last = line.last
    if last is None or not counts_from_schedule(line):
        return 0.0
    point, done = (
        (last.scheduled_unit_km, last.unit_km) if is_distance else (last.scheduled_unit_h, last.unit_h)
    )
    return 0.0 if point is None or done is None else _held(line, last, point - done)


def _days(line: "Line") -> float:
    last = line.last
    if last is None or not counts_from_schedule(line) or last.scheduled_on is None or last.done_on is None:
        return 0.0
    return _held(line, last, float((last.scheduled_on - last.done_on).days))


def _held(line: "Line", last: LastService, after: float) -> float:
    """Give nothing on top of the interval to a vehicle whose maker's warranty held on the day of the job."""
    until = line.fitting.vehicle.warranty_until
    is_warranted = until is not None and (last.done_on is None or last.done_on <= until)
    return min(after, 0.0) if is_warranted else after
