"""How fast a container fills, learned from what was poured, and where its level will stand."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import sqrt

LOOK_BACK_DAYS = 182
LEAST_DAYS = 56
LEAST_POURS = 20
"""Half a year is looked at; eight weeks with twenty pours are enough to learn from. House defaults."""

RANGE_Z = 1.645
"""Nine of ten outcomes lie within this many standard deviations (normal quantile)."""

WEEKS_AHEAD = 8


@dataclass(frozen=True, slots=True)
class FillingRate:
    """Litres a day into a container with their spread from day to day.

    days, pours: what was seen. is_learned: the figures come from it; else they are those typed.
    """

    mean_per_day_l: float
    sd_per_day_l: float
    days: int
    pours: int
    is_learned: bool

    @property
    def sentence(self) -> str:
        """Say where the figures come from."""
        figures = f"{self.mean_per_day_l:.1f} ± {self.sd_per_day_l:.1f} L a day"
        seen = f"{self.pours} pour{'' if self.pours == 1 else 's'} in {self.days} days"
        if self.is_learned:
            return f"{figures}, learned from {seen}."
        if not self.pours:
            return f"{figures}, as typed; nothing to learn from was poured in yet."
        return f"{figures}, as typed; {seen} are too few to learn from ({LEAST_POURS} in {LEAST_DAYS} days are needed)."


def filling_rate(
    poured: Iterable[tuple[date, float]], today: date, typed_mean_l: float, typed_sd_l: float
) -> FillingRate:
    """Learn litres a day from the pours of the last half year, days without any counted as zero.

    The first day that counts is that of the first pour; today is not over and does not count. The spread is the
    sample standard deviation of the daily sums.

    poured: day and litres of each pour. typed_mean_l, typed_sd_l: figures that stand in while too few are seen.
    """
    first_day = today - timedelta(days=LOOK_BACK_DAYS)
    counted = [(day, litres) for day, litres in poured if first_day <= day < today]
    if not counted:
        return FillingRate(typed_mean_l, typed_sd_l, 0, 0, False)
    start = min(day for day, _ in counted)
    days = (today - start).days
    if days < LEAST_DAYS or len(counted) < LEAST_POURS:
        return FillingRate(typed_mean_l, typed_sd_l, days, len(counted), False)
    sums: dict[date, float] = {}
    for day, litres in counted:
        sums[day] = sums.get(day, 0.0) + litres
    mean = sum(sums.values()) / days
    squares = sum((value - mean) ** 2 for value in sums.values()) + (days - len(sums)) * mean**2
    return FillingRate(mean, sqrt(squares / (days - 1)), days, len(counted), True)


@dataclass(frozen=True, slots=True)
class LevelAhead:
    """Litres in a container some days from now if nobody collects: expected, and the range of nine in ten."""

    day: date
    mean_l: float
    low_l: float
    high_l: float


def level_ahead(
    level_l: float, rate: FillingRate, today: date, weeks: int = WEEKS_AHEAD
) -> tuple[LevelAhead, ...]:
    """Return the level week by week at the mean rate.

    `level + mean*t`, range `± z*sd*sqrt(t)` for days that do not depend on each other; a level never falls by itself.
    """
    found = []
    for week in range(weeks + 1):
        days = 7 * week
        mean, reach = level_l + rate.mean_per_day_l * days, RANGE_Z * rate.sd_per_day_l * sqrt(days)
        found.append(LevelAhead(today + timedelta(days=days), mean, max(level_l, mean - reach), mean + reach))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class PourDue:
    """Old litres a job may bring by a day: with this chance so many, else none."""

    day: date
    litres: float
    chance: float


def level_by_jobs(
    level_l: float, jobs: Sequence[PourDue], today: date, weeks: int = WEEKS_AHEAD
) -> tuple[LevelAhead, ...]:
    """Return the level week by week from the jobs due alone.

    Sum of `p*v`, variance `p*(1-p)*v^2` of jobs that do not depend on each other; never more than all of them.
    """
    found = []
    for week in range(weeks + 1):
        day = today + timedelta(days=7 * week)
        own = [job for job in jobs if job.day <= day]
        mean = level_l + sum(job.chance * job.litres for job in own)
        most = level_l + sum(job.litres for job in own)
        reach = RANGE_Z * sqrt(sum(job.chance * (1.0 - job.chance) * job.litres**2 for job in own))
        found.append(LevelAhead(day, mean, max(level_l, mean - reach), min(most, mean + reach)))
    return tuple(found)
