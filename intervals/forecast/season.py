"""The season of a whole fleet: how much more or less than usual is run in each month of the year, as known so far."""

from dataclasses import dataclass

import numpy as np

from intervals.forecast.features import MONTH_DAYS, Features, months_of
from intervals.forecast.histories import FloatArray, Histories, IntArray

LONGEST_STRETCH_DAYS = 70.0
"""A stretch between readings longer than this says little about one month."""
LEAST_METERS = 8
LEAST_MONTHS = 13
_LOOK_BACK_DAYS, _LOOK_AHEAD_DAYS = 120, 1100
RECENT_DAYS = (30, 90)


@dataclass(frozen=True, slots=True)
class SeasonAhead:
    """Logarithms of use against the yearly mean, one per reading: over the time ahead, and over what lies behind."""

    ahead: FloatArray
    behind: tuple[FloatArray, ...]


def season_ahead(histories: Histories, features: Features, ahead_days: FloatArray) -> SeasonAhead:
    """Return what the season adds to the time ahead of each reading, and what it added to the last weeks.

    The profile of a month of the year is the mean over past years of how the fleet's use stood to each meter's own
    long-run level, drawn towards none by one year's weight; with less than 13 months known it is flat.

    Args:
        histories, features: the readings and what is known at them.
        ahead_days: about how far each forecast reaches.
    """
    size = histories.day.size
    ahead, behind = np.zeros(size), tuple(np.zeros(size) for _ in RECENT_DAYS)
    month = months_of(histories.day)
    if not size:
        return SeasonAhead(ahead, behind)
    logs, middle = _logs(histories, features)
    first, last = int(month.min()) - 3, int(month.max())
    sums, counts = np.zeros(last - first + 2), np.zeros(last - first + 2)
    order = np.argsort(histories.day, kind="stable")
    reach = np.clip(np.nan_to_num(np.round(ahead_days), nan=60.0), 15, 730).astype(np.int64)
    for now in range(first + 3, last + 1):
        begin, end = np.searchsorted(month[order], [now, now + 1])
        today = order[begin:end]
        if today.size:
            daily = _profile(sums, counts, first)[_months_around(now) % 12]
            cumulated = np.concatenate([np.zeros(1), np.cumsum(daily)])
            at = _LOOK_BACK_DAYS + np.floor(histories.day[today] - now * MONTH_DAYS).astype(np.int64)
            span = reach[today]
            ahead[today] = (cumulated[at + span] - cumulated[at]) / span
            for days, values in zip(RECENT_DAYS, behind, strict=True):
                values[today] = (cumulated[at] - cumulated[at - days]) / days
        known = today[np.isfinite(logs[today]) & (middle[today] >= first)]
        np.add.at(sums, middle[known] - first, logs[known])
        np.add.at(counts, middle[known] - first, 1.0)
    return SeasonAhead(ahead, behind)


def _months_around(now: int) -> IntArray:
    return months_of(now * MONTH_DAYS + np.arange(-_LOOK_BACK_DAYS, _LOOK_AHEAD_DAYS, dtype=np.float64))


def _logs(histories: Histories, features: Features) -> tuple[FloatArray, IntArray]:
    """Return each stretch's use against the level before it, as a logarithm, and the month of its middle."""
    gap = np.diff(histories.day, prepend=np.nan)
    gap[np.diff(histories.meter, prepend=-1) > 0] = np.nan
    level = np.concatenate([[np.nan], features.own[:-1, -1]])
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.maximum(features.last, 0.05 * level) / level)
    logs[~(gap < LONGEST_STRETCH_DAYS) | ~np.isfinite(logs)] = np.nan
    return logs, months_of(histories.day - np.nan_to_num(gap) / 2.0)


def _profile(sums: FloatArray, counts: FloatArray, first: int) -> FloatArray:
    profile = np.zeros(12)
    is_known = counts >= LEAST_METERS
    if is_known.sum() < LEAST_MONTHS:
        return profile
    means = sums / np.maximum(counts, 1.0)
    of_year = (first + np.arange(sums.size)) % 12
    usual = means[is_known].mean()
    for number in range(12):
        years = means[is_known & (of_year == number)]
        if years.size:
            profile[number] = (years.mean() - usual) * years.size / (years.size + 1.0)
    return profile
