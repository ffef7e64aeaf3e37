"""Usage per calendar day with its spread, for a whole fleet of meters at once."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.errors import ReadingError

FloatArray = npt.NDArray[np.float64]

LEAST_HISTORY_DAYS: Final = 28
CLASS_RATE_SPREAD: Final = 0.5
_WEEK_DAYS: Final = 7
_BLOCK_METERS: Final = 2_000

REASONS: Final = (
    "",
    "less than 28 days of readings: rate of the class",
    "less than 28 days of readings and no class rate",
    "no reading yet: rate of the class",
    "no reading yet and no class rate",
    "readings out of order, or two on one day",
    "the total goes back",
)
_CLASS_SHORT, _NONE_SHORT, _CLASS_EMPTY, _NONE_EMPTY, _OUT_OF_ORDER, _GOES_BACK = range(1, 7)


@dataclass(frozen=True, slots=True)
class Usage:
    """Usage of n meters, each in its own unit of distance or hours.

    Attributes:
        rate_per_day: use per calendar day; nan when it cannot be said.
        sigma_per_sqrt_day: scatter: the use over d days has the standard deviation sigma * sqrt(d).
        last_total: true total at the last reading; nan without readings.
        last_day: ordinal of the day of the last reading; nan without readings.
        stale_days: days from the last reading to the day asked about.
        intervals_used: stretches between readings behind the scatter.
        is_class_rate: the rate is that of the vehicle class, a guess.
        reason: index into `REASONS`; 0 where the rate was measured.
    """

    rate_per_day: FloatArray
    sigma_per_sqrt_day: FloatArray
    last_total: FloatArray
    last_day: FloatArray
    stale_days: FloatArray
    intervals_used: npt.NDArray[np.int64]
    is_class_rate: npt.NDArray[np.bool_]
    reason: npt.NDArray[np.int64]


def usage_from_readings(
    day_numbers: FloatArray,
    totals: FloatArray,
    as_of: int,
    class_rate_per_day: FloatArray,
    window_days: int = 90,
) -> Usage:
    """Work out the rate and scatter of every meter from its accepted readings.

    The rate is the median of the weekly rates: the total, read off the straight lines between readings, is
    taken at the last reading and every seven days before it, as far as the window and the history go. One
    odd week therefore does not move it. The scatter is ``sigma^2 = mean((step - rate*days)^2 / days)`` over
    the stretches between readings that end in the window.

    With less than 28 days of history the class rate stands in, and its scatter is chosen so that the use of
    those 28 days has a standard deviation of half its mean: ``sigma = 0.5 * rate * sqrt(28)``. A single
    stretch between two readings says nothing about scatter and gets the same.

    Args:
        day_numbers: (n, k) ordinals of the readings' days, ascending in each row, nan where a row has fewer.
        totals: (n, k) true totals, in the meter's unit.
        as_of: ordinal of the day asked about; later readings are not known yet and do not count.
        class_rate_per_day: (n,) usual rate of the vehicle class, nan where there is none.
        window_days: how far back from the last reading to look, in days.

    Raises:
        ReadingError: the arrays do not belong together.
    """
    days, sums = np.asarray(day_numbers, dtype=np.float64), np.asarray(totals, dtype=np.float64)
    class_rate = np.asarray(class_rate_per_day, dtype=np.float64)
    if days.ndim != 2 or days.shape != sums.shape or class_rate.shape != days.shape[:1]:
        raise ReadingError(
            f"Days {days.shape}, totals {sums.shape} and class rates {class_rate.shape} do not match. "
            "Allowed: (n, k), (n, k) and (n,). Pass one row per meter."
        )
    # Blocks that fit the processor's cache are several times faster than one sweep over a large fleet.
    blocks = [
        _usage_block(
            days[at : at + _BLOCK_METERS],
            sums[at : at + _BLOCK_METERS],
            as_of,
            class_rate[at : at + _BLOCK_METERS],
            window_days,
        )
        for at in range(0, max(len(days), 1), _BLOCK_METERS)
    ]
    if len(blocks) == 1:
        return blocks[0]
    return Usage(*(np.concatenate([getattr(block, name) for block in blocks]) for name in Usage.__slots__))


def busiest_per_day(
    day_numbers: FloatArray, totals: FloatArray, stretches: int = 60, least_stretches: int = 8
) -> FloatArray:
    """Return (n,) the most use a day between neighbouring readings; nan with fewer than ``least_stretches`` of them.

    Args:
        day_numbers, totals: as for `usage_from_readings`, without gaps at the front.
        stretches: how many of the latest stretches count.
        least_stretches: how many it takes to tell.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        rates = np.diff(totals, axis=1) / np.diff(day_numbers, axis=1)
    known = np.isfinite(rates)
    from_the_end = known.sum(axis=1)[:, None] - np.cumsum(known, axis=1)
    counts = known & (from_the_end < stretches)
    most = np.where(counts, rates, -np.inf).max(axis=1, initial=-np.inf)
    return np.where(counts.sum(axis=1) >= least_stretches, most, np.nan)


def _usage_block(
    days: FloatArray, totals: FloatArray, as_of: int, class_rate: FloatArray, window_days: int
) -> Usage:
    days, totals = _known_so_far(days, totals, as_of)
    count = np.isfinite(days).sum(axis=1)
    rows = np.arange(len(days))
    last = np.maximum(count - 1, 0)
    last_day, last_total = days[rows, last], totals[rows, last]
    gap_days, steps = np.diff(days, axis=1), np.diff(totals, axis=1)

    measured = _median_of_weeks(days, totals, count, last_day, window_days)
    span_days = np.where(count > 0, last_day - days[:, 0], 0.0)
    is_short = np.minimum(span_days, window_days) < LEAST_HISTORY_DAYS
    is_broken = (gap_days <= 0).any(axis=1)
    goes_back = (steps < 0).any(axis=1)

    rate = np.where(is_short, class_rate, measured)
    class_known = np.isfinite(class_rate) & (class_rate >= 0)
    rate = np.where((is_short & ~class_known) | is_broken | goes_back, np.nan, rate)

    in_window = days[:, 1:] > (last_day - window_days)[:, None]
    intervals_used = np.where(is_short, 0, in_window.sum(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.where(in_window, (steps - rate[:, None] * gap_days) ** 2 / gap_days, 0.0)
        measured_sigma = np.sqrt(scatter.sum(axis=1) / intervals_used)
    guessed_sigma = CLASS_RATE_SPREAD * rate * np.sqrt(LEAST_HISTORY_DAYS)
    sigma = np.where(intervals_used >= 2, measured_sigma, guessed_sigma)

    reason = np.select(
        [is_broken, goes_back, (count == 0) & class_known, count == 0, is_short & class_known, is_short],
        [_OUT_OF_ORDER, _GOES_BACK, _CLASS_EMPTY, _NONE_EMPTY, _CLASS_SHORT, _NONE_SHORT],
        default=0,
    )
    return Usage(
        rate_per_day=rate,
        sigma_per_sqrt_day=np.where(np.isfinite(rate), sigma, np.nan),
        last_total=last_total,
        last_day=last_day,
        stale_days=as_of - last_day,
        intervals_used=np.where(np.isfinite(rate), intervals_used, 0),
        is_class_rate=(reason == _CLASS_EMPTY) | (reason == _CLASS_SHORT),
        reason=reason,
    )


def _known_so_far(days: FloatArray, totals: FloatArray, as_of: int) -> tuple[FloatArray, FloatArray]:
    """Drop what is missing or lies ahead, and push the gaps to the end of each row."""
    if days.shape[1] == 0:
        empty = np.full((len(days), 1), np.nan)
        return empty, empty
    is_known = np.isfinite(days) & np.isfinite(totals) & (days <= as_of)
    days, totals = np.where(is_known, days, np.nan), np.where(is_known, totals, np.nan)
    if (is_known[:, 1:] & ~is_known[:, :-1]).any():
        order = np.argsort(~is_known, axis=1, kind="stable")
        days, totals = np.take_along_axis(days, order, axis=1), np.take_along_axis(totals, order, axis=1)
    return days, totals


def _median_of_weeks(
    days: FloatArray, totals: FloatArray, count: npt.NDArray[np.int64], last_day: FloatArray, window_days: int
) -> FloatArray:
    weeks = window_days // _WEEK_DAYS
    rows = np.arange(len(days))
    at = np.empty((len(days), weeks + 1))
    most = np.maximum(count - 2, 0)
    for week in range(weeks + 1):
        day = last_day - week * _WEEK_DAYS
        left = np.clip((days <= day[:, None]).sum(axis=1) - 1, 0, most)
        right = np.minimum(left + 1, days.shape[1] - 1)
        left_day, left_total = days[rows, left], totals[rows, left]
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = (totals[rows, right] - left_total) / (days[rows, right] - left_day)
            at[:, week] = np.where(day >= days[:, 0], left_total + slope * (day - left_day), np.nan)
    weekly = np.sort((at[:, :-1] - at[:, 1:]) / _WEEK_DAYS, axis=1)
    known = np.isfinite(weekly).sum(axis=1)
    lower, upper = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, weeks - 1)
    return np.asarray((weekly[rows, lower] + weekly[rows, upper]) / 2.0, dtype=np.float64)
