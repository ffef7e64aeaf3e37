"""The clocks of lines from columns of what is recorded: one entry per unit and rule, no object for any of them."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from intervals.as_driven import Wear, clock_as_driven
from intervals.due import Clock, DueResult, TimeClock, compute_due
from intervals.fluid_age import next_due, time_clock_days_array
from intervals.usage import Usage

FloatArray = npt.NDArray[np.float64]
MEAN_MONTH_DAYS = 365.25 / 12


@dataclass(frozen=True, slots=True, kw_only=True)
class LineArrays:
    """The figures of n lines, in one order.

    Attributes:
        distance, hours, time, opens_share, closes_share: as `compute_due` takes them.
        distance_usage, hours_usage: use of the meters the lines count on.
    """

    distance: Clock
    hours: Clock
    time: TimeClock
    opens_share: FloatArray
    closes_share: FloatArray
    distance_usage: Usage
    hours_usage: Usage

    def due(self, as_of: date, *, has_range: bool = True) -> DueResult:
        """Work out where the lines stand on a day, that of their clocks."""
        return compute_due(
            as_of,
            self.distance,
            self.hours,
            self.time,
            self.opens_share,
            self.closes_share,
            has_range=has_range,
        )


@dataclass(frozen=True, slots=True)
class MeterRecord:
    """What n lines have on record by one meter, km or h; nan where it is not known.

    Attributes:
        limit: interval of the rule, before severity.
        at_job: the unit's own total at its last job.
        unit_at_fit, vehicle_at_fit: the unit's and the vehicle's total when it was fitted.
        carried: age of the fluid right after the job.
        run_limit: longest run that job earned.
        scheduled: how far after the job the point lies that the next is counted from; 0 where none counts.
    """

    limit: FloatArray
    at_job: FloatArray
    unit_at_fit: FloatArray
    vehicle_at_fit: FloatArray
    carried: FloatArray
    run_limit: FloatArray
    scheduled: FloatArray


@dataclass(frozen=True, slots=True)
class LineRecord:
    """What n lines have on record beside their meters.

    Attributes:
        done_day: ordinal of the day of the last job; nan when not known.
        months: calendar interval; nan where the rule has none.
        carried_days, run_limit_days, scheduled_days: as in `MeterRecord`, by the calendar.
        severity: what divides the intervals; 1 is ordinary duty.
        assumed_freshness_share, cap_share, opens_share, closes_share: of the rule.
        policies: of the rule, one for each line.
    """

    done_day: FloatArray
    months: FloatArray
    carried_days: FloatArray
    run_limit_days: FloatArray
    scheduled_days: FloatArray
    severity: FloatArray
    assumed_freshness_share: FloatArray
    cap_share: FloatArray
    opens_share: FloatArray
    closes_share: FloatArray
    policies: npt.NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class UseAhead:
    """The stretches of use of n lines by one meter from its last reading on, as `Clock` takes them."""

    reference_rate: FloatArray
    sigma_per_sqrt_day: FloatArray
    segment_starts_days: FloatArray
    segment_rates: FloatArray

    @classmethod
    def as_measured(cls, usage: Usage) -> "UseAhead":
        """Return the use of vehicles without a season: the measured rate all the year."""
        rates = usage.rate_per_day
        return cls(rates, usage.sigma_per_sqrt_day, np.zeros((len(rates), 1)), rates[:, None].copy())


def meter_clock(
    as_of: date, line: LineRecord, record: MeterRecord, usage: Usage, ahead: UseAhead, wear: Wear
) -> Clock:
    """Return the distance or the hour clock of the lines, as driven."""
    interval = record.limit / line.severity
    has_clock = np.isfinite(interval)
    since = np.where(
        has_clock, usage.last_total - record.vehicle_at_fit + record.unit_at_fit - record.at_job, np.nan
    )
    stale_days = usage.stale_days.copy()
    since_job = as_of.toordinal() - line.done_day
    # A job that read the meter after the last reading: count from the job.
    is_newer = (since < 0) & (since_job <= stale_days)
    since[is_newer], stale_days[is_newer] = 0.0, since_job[is_newer]
    carried = np.where(has_clock, record.carried, np.nan) * wear.age_factor
    earned = np.where(has_clock, record.run_limit, np.nan) * wear.job_factor
    allowed = _held_to(
        earned, next_due(interval, carried, line.assumed_freshness_share, line.cap_share, line.policies)
    )
    clock = Clock(
        interval=interval,
        since_at_reading=since,
        next_run=allowed + record.scheduled * wear.job_factor,
        stale_days=stale_days,
        reference_rate=ahead.reference_rate,
        sigma_per_sqrt_day=ahead.sigma_per_sqrt_day,
        segment_starts_days=ahead.segment_starts_days,
        segment_rates=ahead.segment_rates,
    )
    return clock_as_driven(clock, wear)


def time_clock(as_of: date, line: LineRecord) -> TimeClock:
    """Return the calendar clock of the lines."""
    is_known = np.isfinite(line.done_day)
    days = np.full(len(is_known), np.datetime64("NaT", "D"))
    ordinals = line.done_day[is_known].astype(np.int64) - date(1970, 1, 1).toordinal()
    days[is_known] = ordinals.astype("datetime64[D]")
    interval, allowed = time_clock_days_array(
        days, line.months, line.carried_days, line.assumed_freshness_share, line.cap_share, line.policies
    )
    allowed = _held_to(line.run_limit_days, allowed) + line.scheduled_days
    # A rule with a calendar clock whose last job is not known still has that clock: it cannot be said.
    is_open = np.isfinite(line.months) & ~is_known
    return TimeClock(
        np.where(is_open, line.months * MEAN_MONTH_DAYS, interval), as_of.toordinal() - line.done_day, allowed
    )


def _held_to(limit: FloatArray, run: FloatArray) -> FloatArray:
    """Hold a run to a limit where there is one; an unknown run stays unknown."""
    return np.where(np.isnan(limit), run, np.minimum(run, limit))
