"""What is known at each reading: recent use at several time scales, the group's, the season's, and how it scatters.

Everything is as of the reading's day: the meter's own readings up to then, the group's of earlier days.
"""

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from intervals.forecast.histories import FloatArray, Histories

HALF_LIVES_DAYS = (10.0, 20.0, 40.0, 80.0, 160.0)
"""Time scales of recent use, each twice the last, from a fortnight to half a year."""
LONG_HALF_LIFE_DAYS = 365.0
GROUP_STALE_DAYS = 100.0
"""A meter not read for so long says nothing about its group's present use."""
SCATTER_HALF_LIFE_DAYS = 180.0
SCATTER_WEIGHT = 6.0
"""Stretches the pooled scatter counts for beside a meter's own."""
YEAR_DAYS = 365.0
MONTH_DAYS = 365.25 / 12
_LEAST_RATE = 1e-9

_SCALES = np.array([*HALF_LIVES_DAYS, LONG_HALF_LIFE_DAYS])


@dataclass(frozen=True, slots=True)
class Features:
    """One row per reading; rates per day, nan before a meter's second reading.

    Attributes:
        own: (n, 6) exponentially weighted rates, the last one the long-run level.
        group: (n, 6) mean of the other meters of the group, or the own where there is none.
        year: rate of the last twelve months, nan with less history.
        last: rate between the last two readings.
        scatter: relative scatter of a month's use, own and pooled.
        age_days: days since the meter's first reading.
    """

    own: FloatArray
    group: FloatArray
    year: FloatArray
    last: FloatArray
    scatter: FloatArray
    age_days: FloatArray


@dataclass(slots=True)
class _Meter:
    use: FloatArray = field(default_factory=lambda: np.zeros(_SCALES.size))
    days: FloatArray = field(default_factory=lambda: np.zeros(_SCALES.size))
    scatter: float = 0.0
    weight: float = 0.0


@dataclass(slots=True)
class _Group:
    total: FloatArray = field(default_factory=lambda: np.zeros(_SCALES.size))
    count: int = 0
    rates: dict[int, FloatArray] = field(default_factory=dict)
    versions: dict[int, int] = field(default_factory=dict)
    expiry: deque[tuple[float, int, int]] = field(default_factory=deque)


def features_of(histories: Histories) -> Features:
    """Return what is known at each reading; one pass through the days, O(readings)."""
    size = histories.day.size
    own, group = np.full((size, _SCALES.size), np.nan), np.full((size, _SCALES.size), np.nan)
    last, scatter = np.full(size, np.nan), np.full(size, np.nan)
    is_first = np.diff(histories.meter, prepend=-1) > 0
    meters = [_Meter() for _ in range(histories.meters)]
    groups: dict[int, _Group] = {}
    pooled, pooled_weight = 0.0, 0.0
    order = np.argsort(histories.day, kind="stable")
    days = np.unique(histories.day)
    bounds = np.searchsorted(histories.day[order], days, side="left")
    for begin, end in zip(bounds, np.append(bounds[1:], size), strict=True):
        today = order[begin:end]
        for row in today.tolist():
            meter, number = meters[histories.meter[row]], int(histories.meter[row])
            if not is_first[row]:
                gap = histories.day[row] - histories.day[row - 1]
                use = histories.total[row] - histories.total[row - 1]
                last[row] = use / gap
                before = meter.use[-1] / meter.days[-1] if meter.days[-1] > 0 else np.nan
                middle = 0.5 ** (gap / 2.0 / _SCALES)
                meter.use = meter.use * middle * middle + middle * use
                meter.days = meter.days * middle * middle + middle * gap
                _note_scatter(meter, last[row], before, gap)
            if meter.days[0] > 0:
                own[row] = meter.use / meter.days
            group[row] = _of_others(groups.get(int(histories.group[row])), number, histories.day[row])
            mean = pooled / pooled_weight if pooled_weight else np.nan
            scatter[row] = _pooled_scatter(meter, mean)
        for row in today.tolist():
            meter, number = meters[histories.meter[row]], int(histories.meter[row])
            if meter.days[0] > 0:
                _tell_group(
                    groups.setdefault(int(histories.group[row]), _Group()), number, meter, histories.day[row]
                )
            if meter.weight > 0:
                pooled, pooled_weight = pooled + meter.scatter / meter.weight, pooled_weight + 1.0
    group = np.where(np.isnan(group), own, group)
    return Features(own, group, _year_rates(histories), last, scatter, _ages(histories))


def _note_scatter(meter: _Meter, rate: float, before: float, gap: float) -> None:
    if not before > 0:
        return
    fade = 0.5 ** (gap / SCATTER_HALF_LIFE_DAYS)
    off = min(abs(rate - before) / before, 2.0) * min(1.0, (gap / MONTH_DAYS) ** 0.5)
    meter.scatter, meter.weight = meter.scatter * fade + off, meter.weight * fade + 1.0


def _pooled_scatter(meter: _Meter, pooled: float) -> float:
    if np.isnan(pooled):
        return meter.scatter / meter.weight if meter.weight else np.nan
    return (meter.scatter + SCATTER_WEIGHT * pooled) / (meter.weight + SCATTER_WEIGHT)


def _of_others(group: _Group | None, number: int, day: float) -> FloatArray | float:
    if group is None:
        return np.nan
    while group.expiry and group.expiry[0][0] < day:
        _, gone, version = group.expiry.popleft()
        if version == group.versions[gone]:
            _forget(group, gone)
    own = group.rates.get(number)
    count = group.count - (own is not None)
    if not count:
        return np.nan
    return (group.total - (own if own is not None else 0.0)) / count


def _forget(group: _Group, number: int) -> None:
    rates = group.rates.pop(number, None)
    if rates is not None:
        group.total, group.count = group.total - rates, group.count - 1


def _tell_group(group: _Group, number: int, meter: _Meter, day: float) -> None:
    _forget(group, number)
    group.versions[number] = version = group.versions.get(number, 0) + 1
    rates = meter.use / meter.days
    group.rates[number] = rates
    group.total, group.count = group.total + rates, group.count + 1
    group.expiry.append((day + GROUP_STALE_DAYS, number, version))


def _ages(histories: Histories) -> FloatArray:
    starts = histories.starts[:-1]
    return np.asarray(histories.day - histories.day[starts][histories.meter], dtype=np.float64)


def _year_rates(histories: Histories) -> FloatArray:
    rates = np.full(histories.day.size, np.nan)
    for begin, end in zip(histories.starts[:-1], histories.starts[1:], strict=True):
        day, total = histories.day[begin:end], histories.total[begin:end]
        before = np.interp(day - YEAR_DAYS, day, total)
        rates[begin:end] = np.where(day - YEAR_DAYS >= day[0], (total - before) / YEAR_DAYS, np.nan)
    return rates


def months_of(day: FloatArray) -> npt.NDArray[np.int64]:
    """Return the months since year 0 a day lies in, each a twelfth of a year, so that 12 apart is the same season."""
    return np.floor(day / MONTH_DAYS).astype(np.int64)
