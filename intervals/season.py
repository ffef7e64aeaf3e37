"""Use that follows a calendar: piecewise constant rates from the last reading on, for many meters at once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class UseCalendar:
    """Expected use of n meters, counted from each one's last reading.

    Attributes:
        begins_days: (n, m) days from the day asked about at which each stretch begins; the first is the last
            reading, so minus the stale days; infinity where a row has fewer stretches.
        uses: (n, m) expected use from the reading to the beginning of each stretch.
        rates_per_day: (n, m) use a day in each stretch.
        back_rate_per_day: (n,) rate for looking back before the reading.
    """

    begins_days: FloatArray
    uses: FloatArray
    rates_per_day: FloatArray
    back_rate_per_day: FloatArray

    @classmethod
    def build(
        cls,
        stale_days: FloatArray,
        starts_days: FloatArray,
        rates_per_day: FloatArray,
        back_rate_per_day: FloatArray,
    ) -> "UseCalendar":
        """Lay the stretches out from the last reading; the first rate also holds back to the reading.

        Args:
            stale_days: (n,) days since the last reading.
            starts_days: (n, m) ascending starts in days from the day asked about, nan where a row has fewer.
            rates_per_day: (n, m) use a day from each start on.
            back_rate_per_day: (n,) rate for looking back before the reading.
        """
        reading = -stale_days[:, None]
        begins = np.maximum(np.where(np.isnan(starts_days), np.inf, starts_days), reading)
        begins[:, 0] = reading[:, 0]
        is_begun = np.isfinite(begins)
        rates = np.where(is_begun, rates_per_day, 0.0)
        rates[:, 0] = rates_per_day[:, 0]
        with np.errstate(invalid="ignore"):
            steps = np.where(is_begun[:, 1:], rates[:, :-1] * np.diff(begins, axis=1), np.inf)
        uses = np.concatenate([np.zeros_like(reading), np.cumsum(steps, axis=1)], axis=1)
        return cls(begins, uses, rates, back_rate_per_day)

    def take(self, rows: npt.NDArray[np.int64]) -> "UseCalendar":
        """Return the calendar of some of the meters."""
        return UseCalendar(*(getattr(self, name)[rows] for name in UseCalendar.__slots__))

    def use_by(self, day: FloatArray) -> FloatArray:
        """Return (n,) expected use from the reading to ``day``, counted from the day asked about."""
        rows = np.arange(len(self.uses))
        at = np.maximum((self.begins_days <= day[:, None]).sum(axis=1) - 1, 0)
        ahead = np.maximum(day - self.begins_days[rows, at], 0.0)
        return np.asarray(self.uses[rows, at] + self.rates_per_day[rows, at] * ahead, dtype=np.float64)

    def day_of(self, use: FloatArray) -> FloatArray:
        """Return (n,) the first day on which the use since the reading reaches ``use``.

        Below zero the day lies before the reading and is reckoned back at the back rate, or is the reading's
        own day where that rate is zero. Infinity where the use is never reached.
        """
        rows = np.arange(len(self.uses))
        at = np.maximum((self.uses < use[:, None]).sum(axis=1) - 1, 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ahead = self.begins_days[rows, at] + (use - self.uses[rows, at]) / self.rates_per_day[rows, at]
            back = np.where(self.back_rate_per_day > 0, use / self.back_rate_per_day, 0.0)
        behind = np.where(use <= 0, self.begins_days[:, 0] + back, np.nan)
        return np.asarray(np.where(use > 0, ahead, behind), dtype=np.float64)
