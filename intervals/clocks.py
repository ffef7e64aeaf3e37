"""The clocks of service lines: what the projection of due dates takes in."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.errors import RuleError

FloatArray = npt.NDArray[np.float64]

CLOCKS: Final = ("distance", "time", "hours")
DISTANCE, TIME, HOURS = range(3)


@dataclass(frozen=True, slots=True)
class Clock:
    """The distance clocks, or the hour clocks, of n lines; each line in its own unit (km or h).

    Attributes:
        interval: (n,) interval after severity; nan = the rule has no such clock.
        since_at_reading: (n,) run from the last job to the last reading; nan = unknown.
        next_run: (n,) run allowed from the last job to the next, zero or less when one change was not enough.
        stale_days: (n,) days since the last reading.
        reference_rate: (n,) rate a day for which the scatter holds; scatter grows with use, not with the
            calendar.
        sigma_per_sqrt_day: (n,) scatter of the use at the reference rate.
        segment_starts_days: (n, m) from which day on each rate holds, counted from the day asked about,
            ascending; the first also reaches back to the last reading unless earlier (negative) starts say
            otherwise. nan where a line has fewer.
        segment_rates: (n, m) use a day from each start on.
    """

    interval: FloatArray
    since_at_reading: FloatArray
    next_run: FloatArray
    stale_days: FloatArray
    reference_rate: FloatArray
    sigma_per_sqrt_day: FloatArray
    segment_starts_days: FloatArray
    segment_rates: FloatArray

    def __post_init__(self) -> None:
        shape, wide = self.interval.shape, self.segment_starts_days.shape
        singles = (
            self.since_at_reading,
            self.next_run,
            self.stale_days,
            self.reference_rate,
            self.sigma_per_sqrt_day,
        )
        if any(values.shape != shape for values in singles) or wide != self.segment_rates.shape:
            raise RuleError(
                "The clock's arrays do not match. Allowed: all (n,), and the segments both (n, m)."
            )
        if len(shape) != 1 or len(wide) != 2 or wide[0] != shape[0] or wide[1] == 0:
            raise RuleError(
                f"Segments {wide} do not fit {shape} lines. Allowed: (n, m) with at least one segment."
            )
        if bool(np.any(np.diff(self.segment_starts_days, axis=1) < 0)):
            raise RuleError("Segment starts go back. Allowed: ascending days. Sort them.")

    @classmethod
    def steady(
        cls,
        interval: FloatArray,
        since_at_reading: FloatArray,
        next_run: FloatArray,
        stale_days: FloatArray,
        rate: FloatArray,
        sigma_per_sqrt_day: FloatArray,
    ) -> "Clock":
        """Return the clocks of lines whose use knows no season."""
        starts = np.zeros((len(interval), 1))
        return cls(
            interval, since_at_reading, next_run, stale_days, rate, sigma_per_sqrt_day, starts, rate[:, None]
        )

    @classmethod
    def absent(cls, lines: int) -> "Clock":
        """Return clocks for lines whose rules have none of this kind."""
        unknown = np.full(lines, np.nan)
        return cls.steady(unknown, unknown, unknown, unknown, unknown, unknown)


@dataclass(frozen=True, slots=True)
class TimeClock:
    """The calendar clocks of n lines in days: interval (nan = none), since the last job, allowed from it."""

    interval_days: FloatArray
    since_days: FloatArray
    next_days: FloatArray
