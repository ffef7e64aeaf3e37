"""Litres by week: what jobs will take on average and how surely, what has to be at hand, what spoils before its use."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from shop.planning.demand import SERVICE_LEVEL

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def week_begins(as_of: date, weeks: int) -> tuple[date, ...]:
    """Return the first day of each week: today, then Mondays; the first week is the rest of this one."""
    monday = as_of + timedelta(days=7 - as_of.weekday())
    return (as_of, *(monday + timedelta(weeks=step) for step in range(weeks - 1)))


def week_of(day: date, begins: Sequence[date]) -> int:
    """Return the week a day lies in; days before the first count there, later ones as beyond the last."""
    return int(weeks_of(np.array([float((day - begins[0]).days)]), begins)[0])


def weeks_of(days_ahead: FloatArray, begins: Sequence[date]) -> IntArray:
    """Return (n,) the same for days given as how far they lie ahead of the first."""
    first_monday = 7 - begins[0].weekday()
    weeks: IntArray = np.where(
        days_ahead < first_monday, 0.0, 1.0 + (days_ahead - first_monday) // 7.0
    ).astype(np.int64)
    return weeks


@dataclass(frozen=True, slots=True)
class JobsByWeek:
    """n jobs that may take a product in the weeks ahead.

    unit: (n,) keys of their units, of which one may have several jobs. litres, litres_sd: (n,) what each takes.
    chances: (n, T) chance that it takes them in each week; together at most 1.
    """

    unit: FloatArray
    litres: FloatArray
    litres_sd: FloatArray
    chances: FloatArray

    @classmethod
    def none(cls, weeks: int) -> "JobsByWeek":
        """Return no jobs."""
        nothing = np.zeros(0)
        return cls(nothing, nothing, nothing, np.zeros((0, weeks)))


@dataclass(frozen=True, slots=True)
class WeeklyNeed:
    """What the jobs and top-ups of one product take by week.

    mean_l, variance_l2: (T,) of each week. most_l: (T,) all jobs that may come by its end, whole, counted up.
    """

    mean_l: FloatArray
    variance_l2: FloatArray
    most_l: FloatArray

    @property
    def drawn_l(self) -> FloatArray:
        """Litres taken on average by the end of each week, counted up."""
        return np.cumsum(self.mean_l)


def chances_by_week(chance_by_end: FloatArray, first_week: IntArray, carried_share: FloatArray) -> FloatArray:
    """Return (n, T) in which week each job comes, from the chance that it is due by the end of each.

    What is due before it can be done first is done in that first week.

    chance_by_end: (n, T) rising. first_week: (n,) first week in which it can be done; T or more: not at all.
    carried_share: (n,) share of jobs that turn up and pass the gate.
    """
    rising = np.maximum.accumulate(np.nan_to_num(chance_by_end), axis=1)
    held = np.where(np.arange(rising.shape[1]) < first_week[:, None], 0.0, rising)
    return carried_share[:, None] * np.diff(held, axis=1, prepend=0.0)


def pool_weeks(jobs: JobsByWeek, baseline_l_per_week: float) -> WeeklyNeed:
    """Pool jobs by week: each is a trial with its own size, weeks and jobs taken as independent.

    mean = sum p L + baseline; variance = sum p (1 - p) L^2 + p s^2, as in `demand.pool_need`.
    """
    chances, litres, spread = jobs.chances, jobs.litres[:, None], jobs.litres_sd[:, None]
    mean_l = (chances * litres).sum(axis=0) + baseline_l_per_week
    variance = (chances * (1.0 - chances) * litres**2 + chances * spread**2).sum(axis=0)
    may_have_come = np.cumsum(chances, axis=1) > 1e-9
    baseline_l = baseline_l_per_week * np.arange(1, chances.shape[1] + 1)
    return WeeklyNeed(mean_l, variance, (may_have_come * litres).sum(axis=0) + baseline_l)


def required_l(need: WeeklyNeed, exposed_weeks: int, service_level: float = SERVICE_LEVEL) -> FloatArray:
    """Return (T,) litres to have had by the end of each week so that the shelf does with that chance.

    The guard against chance covers the weeks in which nothing ordered later can help: the supplier's lead and the time
    until the list is gone through again. `required = min(drawn + z sqrt(var of the last exposed weeks), most)`.
    """
    summed = np.concatenate([[0.0], np.cumsum(need.variance_l2)])
    weeks = np.arange(1, len(need.mean_l) + 1)
    variance = summed[weeks] - summed[np.maximum(weeks - exposed_weeks, 0)]
    guard_l = NormalDist().inv_cdf(service_level) * np.sqrt(np.maximum(variance, 0.0))
    most: FloatArray = np.maximum(need.drawn_l, np.minimum(need.drawn_l + guard_l, need.most_l))
    return most


def usable_l(free_l: float, dated: Sequence[tuple[int, float]], drawn_l: FloatArray) -> FloatArray:
    """Return (T,) litres of today's free stock that are of use by each week: what expires unused is gone from then on.

    free_l: all that is free. dated: (last week of use, litres) of the packs with a use-by or opened life; they are
    used first, earliest first.
    """
    at_hand = np.full(len(drawn_l), free_l)
    lost_l = taken_l = 0.0
    for week, litres in sorted(dated):
        if week >= len(drawn_l):
            break
        drawn = float(drawn_l[week]) if week >= 0 else 0.0
        used_l = min(litres, max(0.0, drawn - taken_l))
        taken_l += used_l
        lost_l += litres - used_l
        at_hand[max(0, week + 1) :] = free_l - lost_l
    return at_hand


def weeks_of_months(months: float, days_a_month: float = 365.25 / 12) -> int:
    """Return whole weeks in a number of months, rounded down, at least one."""
    return max(1, int(months * days_a_month // 7))


def exposed_weeks(horizon_days: int) -> int:
    """Return the weeks in which only what is here or on the way helps, from the horizon of an order in days."""
    return max(1, ceil(horizon_days / 7))
