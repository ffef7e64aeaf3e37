"""Engine hours guessed from the distance, for the lines of vehicles without an hour meter whose average speed is typed.

The hours clock of such a line is its distance clock at that speed: a limit of 500 h at 18 km/h is one of 9 000 km. So
all the meter says, and all that was noted at the job, is km divided by km/h; a run earned at a job is hours already.
"""

from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from intervals.as_driven import Wear
from intervals.duty import guess_hours
from intervals.usage import Usage
from shop.selectors.line_clocks import MeterRecord

FloatArray = npt.NDArray[np.float64]

OF_RECORD = ("at_job", "unit_at_fit", "vehicle_at_fit", "carried")
OF_USAGE = ("rate_per_day", "sigma_per_sqrt_day", "last_total")
RUNS = ("extra_run", "runs")

Part = TypeVar("Part", Usage, MeterRecord, Wear)


def usage_or_guess(hours: Usage, distance: Usage, km_h: FloatArray) -> Usage:
    """Return the use of the hour meters, or that of the odometers in hours. km_h: (n,) nan where nothing is guessed."""
    rows = np.flatnonzero(np.isfinite(km_h))
    return _with(hours, distance, rows, km_h, Usage.__slots__, OF_USAGE) if len(rows) else hours


def record_or_guess(hours: MeterRecord, distance: MeterRecord, km_h: FloatArray) -> MeterRecord:
    """Return what is on record by the hour meters, or by the odometers in hours."""
    rows = np.flatnonzero(np.isfinite(km_h))
    return _with(hours, distance, rows, km_h, OF_RECORD, OF_RECORD) if len(rows) else hours


def wear_or_guess(hours: Wear, distance: Wear, km_h: FloatArray) -> Wear:
    """Return how the hours count as driven, or the distance in hours."""
    rows = np.flatnonzero(np.isfinite(km_h))
    if not len(rows):
        return hours
    most = max(hours.runs.shape[1], distance.runs.shape[1])
    return _with(_wide(hours, most), _wide(distance, most), rows, km_h, Wear.__slots__, RUNS)


def _with(
    hours: Part,
    distance: Part,
    rows: npt.NDArray[np.int64],
    km_h: FloatArray,
    names: tuple[str, ...],
    runs: tuple[str, ...],
) -> Part:
    """Return the hours with the fields of some rows taken from the distance; those that are runs become hours."""
    found = {}
    for name in names:
        column, own = getattr(hours, name).copy(), getattr(distance, name)[rows]
        speed = km_h[rows].reshape(-1, *[1] * (own.ndim - 1))
        column[rows] = guess_hours(own, speed) if name in runs else own
        found[name] = column
    return replace(hours, **found)


def _wide(wear: Wear, most: int) -> Wear:
    """Return wear with room for so many stretches."""
    room = ((0, 0), (0, most - wear.runs.shape[1]))
    names = ("starts_days", "factors", "runs")
    return replace(
        wear, **{name: np.pad(getattr(wear, name), room, constant_values=np.nan) for name in names}
    )
