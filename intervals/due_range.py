"""The range around a due date: the clocks' chances put together."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.first_passage import passage_probability, passage_quantile
from intervals.season import UseCalendar

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_MOST_HALVINGS: Final = 80
_HALVING_TOLERANCE: Final = 1e-11


@dataclass(frozen=True, slots=True)
class Passage:
    """A distance or hour clock of n lines as a first passage over its calendar of use.

    Attributes:
        calendar: expected use from the last reading on.
        remaining: (n,) run left at that reading.
        reference_rate: (n,) rate a day for which the scatter holds; zero for a standing clock.
        sigma: (n,) scatter of the use at that rate.
        is_dated: (n,) whether a date can be said; where not, the clock adds no chance.
    """

    calendar: UseCalendar
    remaining: FloatArray
    reference_rate: FloatArray
    sigma: FloatArray
    is_dated: BoolArray

    def take(self, rows: npt.NDArray[np.int64]) -> "Passage":
        """Return the passages of some of the lines."""
        return Passage(
            self.calendar.take(rows),
            self.remaining[rows],
            self.reference_rate[rows],
            self.sigma[rows],
            self.is_dated[rows],
        )

    def is_running(self) -> BoolArray:
        """Return whether use still brings the limit nearer, with a known scatter."""
        return self.is_dated & (self.reference_rate > 0) & (self.remaining > 0)

    def probability(self, day: FloatArray) -> FloatArray:
        """Chance of being due by ``day``; the days that count are use over reference rate."""
        with np.errstate(divide="ignore", invalid="ignore"):
            elapsed = np.where(self.reference_rate == 0, 0.0, self.calendar.use_by(day) / self.reference_rate)
        chance = passage_probability(elapsed, self.remaining, self.reference_rate, self.sigma)
        return np.where(self.is_dated, chance, 0.0)

    def quantile(self, probability: float, mean_days: FloatArray) -> FloatArray:
        """Day by which it is due with ``probability``; ``mean_days`` where it has passed or never comes."""
        elapsed = passage_quantile(np.asarray(probability), self.remaining, self.reference_rate, self.sigma)
        with np.errstate(invalid="ignore"):
            day = self.calendar.day_of(elapsed * self.reference_rate)
        return np.where(self.is_dated & (self.reference_rate != 0) & (self.remaining > 0), day, mean_days)


def combined_quantile(
    probability: float,
    distance: Passage,
    hours: Passage,
    distance_due: FloatArray,
    hours_due: FloatArray,
    time_due: FloatArray,
) -> FloatArray:
    """Return (n,) the day by which a line is due with ``probability``, ``P = 1 - prod(1 - P_i)``.

    Args:
        probability: between 0 and 1, both excluded.
        distance, hours: the two clocks with scatter.
        distance_due, hours_due, time_due: (n,) mean days of the three clocks, infinite where there is none.
    """
    by_distance = distance.quantile(probability, distance_due)
    by_hours = hours.quantile(probability, hours_due)
    days = np.minimum(by_distance, by_hours)
    rows = np.flatnonzero(distance.is_running() & hours.is_running())
    if len(rows):
        days[rows] = _halve(probability, distance.take(rows), hours.take(rows), days[rows])
    return np.minimum(days, time_due)


def _halve(probability: float, distance: Passage, hours: Passage, high: FloatArray) -> FloatArray:
    """Close in on the day by which at least one of two clocks has reached its limit with ``probability``."""
    begins = np.concatenate([distance.calendar.begins_days, hours.calendar.begins_days], axis=1)
    low = begins.min(axis=1)
    # Neither may get there alone before its season ends, yet both together can.
    is_ever = np.isfinite(high)
    high = np.where(is_ever, high, np.where(np.isfinite(begins), begins, -np.inf).max(axis=1))

    def chance(day: FloatArray) -> FloatArray:
        return 1.0 - (1.0 - distance.probability(day)) * (1.0 - hours.probability(day))

    is_ever = is_ever | (chance(high) >= probability)
    for _ in range(_MOST_HALVINGS):
        middle = 0.5 * (low + high)
        is_reached = chance(middle) >= probability
        low, high = np.where(is_reached, low, middle), np.where(is_reached, middle, high)
        if bool(np.all(high - low <= _HALVING_TOLERANCE)):
            break
    return np.where(is_ever, high, np.inf)
