"""Projection of every service line: its place in the service window, its due date with a range, and the
reasons.

Each line has up to three clocks, whichever comes first. With I the interval, N the run allowed since the
last job and s the run so far, a clock stands at ``u = 1 + (s - N)/I``; the window opens at 1 - opens_share,
the service falls due at 1 and is late beyond 1 + closes_share. What is missing comes out as "cannot say",
never as zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.clocks import CLOCKS, DISTANCE, HOURS, TIME, Clock, TimeClock
from intervals.due_range import Passage, combined_quantile
from intervals.errors import RuleError
from intervals.season import UseCalendar

__all__ = [
    "CLOCKS",
    "DISTANCE",
    "HOURS",
    "REASONS",
    "STATES",
    "TIME",
    "Clock",
    "DueResult",
    "TimeClock",
    "compute_due",
    "first_day_after",
    "first_day_at",
    "is_steady",
    "probability_due_by",
    "shown_day",
    "shown_high_day",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STATES: Final = ("not yet", "window open", "due", "late", "cannot say")
NOT_YET, WINDOW_OPEN, DUE, LATE, CANNOT_SAY = range(5)
NO_CLOCK: Final = -1
REASONS: Final = (
    "",
    "no such clock",
    "run since the last job unknown",
    "run to the next job unknown",
    "reading older than the last job",
    "day of the last reading unknown",
    "usage rate unknown",
    "standing: no use expected",
    "scatter of use unknown",
)
(OK, ABSENT, SINCE_UNKNOWN, NEXT_UNKNOWN, READING_BEFORE_JOB, READING_DAY_UNKNOWN, RATE_UNKNOWN, STANDING,
 SCATTER_UNKNOWN) = range(9)  # fmt: skip

# A rounding of the last digit must not move a state or a date by a step.
_U_DUST: Final = 1e-9
_DAY_DUST: Final = 1e-6
_STEADY_DAYS: Final = 2
_QUANTILES: Final = np.array([0.1, 0.2, 0.5, 0.9])


@dataclass(frozen=True, slots=True)
class DueResult:
    """Where n lines stand on the day asked about. Days are counted from that day; nan where they cannot be
    said.

    Attributes:
        as_of: the day asked about.
        u: (n, 3) place in the interval by clock; columns as in `CLOCKS`.
        used_now: (n, 3) run so far including what the fluid carried over, in the clock's unit.
        limit: (n, 3) the limit that `used_now` counts towards.
        clock_state: (n, 3) index into `STATES`, or `NO_CLOCK`.
        state: (n,) index into `STATES`.
        binding: (n,) the clock with the highest u, or -1.
        due_days: (n,) mean date; below zero it has passed.
        due_clock: (n,) the clock that gives it, or -1.
        p10_days, p20_days, p50_days, p90_days: (n,) days by which the line is due with that probability.
        opens_days, late_days: (n,) when the window opens and closes at the expected use.
        missing: (n, 3) index into `REASONS`: what a clock lacks. A date stands on the clocks that can be
            said, so with something missing it may come sooner.
    """

    as_of: date
    u: FloatArray
    used_now: FloatArray
    limit: FloatArray
    clock_state: IntArray
    state: IntArray
    binding: IntArray
    due_days: FloatArray
    due_clock: IntArray
    p10_days: FloatArray
    p20_days: FloatArray
    p50_days: FloatArray
    p90_days: FloatArray
    opens_days: FloatArray
    late_days: FloatArray
    missing: IntArray


@dataclass(frozen=True, slots=True)
class _Column:
    """One clock of every line; days are infinite where they never come and where they cannot be said."""

    u: FloatArray
    used: FloatArray
    limit: FloatArray
    state: IntArray
    opens: FloatArray
    due: FloatArray
    late: FloatArray
    reason: IntArray


def _state_of(u: FloatArray, opens_share: FloatArray, closes_share: FloatArray) -> IntArray:
    return np.select(
        [u < 1.0 - opens_share - _U_DUST, u < 1.0 - _U_DUST, u <= 1.0 + closes_share + _U_DUST, u > 1.0],
        [NOT_YET, WINDOW_OPEN, DUE, LATE],
        CANNOT_SAY,
    )


def _job_reason(interval: FloatArray, since: FloatArray, allowed: FloatArray) -> IntArray:
    lacking = [~(interval > 0), ~np.isfinite(since), ~np.isfinite(allowed), since < 0]
    return np.select(lacking, [ABSENT, SINCE_UNKNOWN, NEXT_UNKNOWN, READING_BEFORE_JOB], OK)


def _meter_column(clock: Clock, opens_share: FloatArray, closes_share: FloatArray) -> tuple[_Column, Passage]:
    rates = clock.segment_rates
    is_unused = np.isnan(clock.segment_starts_days)
    is_unused[:, 0] = False
    rate_known = (is_unused | (np.isfinite(rates) & (rates >= 0))).all(axis=1)
    peak = np.where(is_unused | ~np.isfinite(rates), 0.0, rates).max(axis=1)
    has_scatter = (clock.reference_rate > 0) & (clock.sigma_per_sqrt_day >= 0)
    calendar = UseCalendar.build(clock.stale_days, clock.segment_starts_days, rates, clock.reference_rate)
    use_now = calendar.use_by(np.zeros(len(clock.interval)))
    # Without a rate the reading itself still bounds the run from below.
    run_now = clock.since_at_reading + np.where(rate_known, use_now, 0.0)

    reason = _job_reason(clock.interval, clock.since_at_reading, clock.next_run)
    further = [~(clock.stale_days >= 0), ~rate_known, peak == 0, ~has_scatter]
    codes = [READING_DAY_UNKNOWN, RATE_UNKNOWN, STANDING, SCATTER_UNKNOWN]
    reason = np.where(reason == OK, np.select(further, codes, OK), reason)
    is_stated = (reason == OK) | (reason >= RATE_UNKNOWN)
    is_dated = is_stated & (reason != RATE_UNKNOWN)
    u = np.where(is_stated, 1.0 + (run_now - clock.next_run) / clock.interval, np.nan)
    state = _state_of(u, opens_share, closes_share)
    state[(reason == RATE_UNKNOWN) & (clock.stale_days > 0) & (state < DUE)] = CANNOT_SAY
    state[reason == ABSENT] = NO_CLOCK

    def day_at(run: FloatArray) -> FloatArray:
        # Fluid cannot have been due before the job that left it so.
        return np.where(is_dated, calendar.day_of(np.maximum(run, 0.0) - clock.since_at_reading), np.inf)

    carried = np.maximum(clock.interval - clock.next_run, 0.0)
    column = _Column(
        u=u,
        used=np.where(is_stated, run_now + carried, np.nan),
        limit=np.where(is_stated, np.maximum(clock.interval, clock.next_run), np.nan),
        state=state,
        opens=day_at(clock.next_run - opens_share * clock.interval),
        due=day_at(clock.next_run),
        late=day_at(clock.next_run + closes_share * clock.interval),
        reason=reason,
    )
    remaining = clock.next_run - clock.since_at_reading
    # A standing clock has a known future, none; one without scatter has an unknown one.
    otherwise = np.where(peak == 0, 0.0, np.nan)
    rate, sigma = (
        np.where(has_scatter & (peak > 0), values, otherwise)
        for values in (clock.reference_rate, clock.sigma_per_sqrt_day)
    )
    return column, Passage(calendar, remaining, rate, sigma, is_dated)


def _time_column(clock: TimeClock, opens_share: FloatArray, closes_share: FloatArray) -> _Column:
    interval, since, allowed = clock.interval_days, clock.since_days, clock.next_days
    reason = _job_reason(interval, since, allowed)
    is_stated = reason == OK
    u = np.where(is_stated, 1.0 + (since - allowed) / interval, np.nan)
    state = _state_of(u, opens_share, closes_share)
    state[reason == ABSENT] = NO_CLOCK
    days = [
        np.where(is_stated, np.maximum(allowed + share * interval, 0.0) - since, np.inf)
        for share in (-opens_share, np.zeros_like(opens_share), closes_share)
    ]
    used = np.where(is_stated, since + np.maximum(interval - allowed, 0.0), np.nan)
    limit = np.where(is_stated, np.maximum(interval, allowed), np.nan)
    return _Column(u, used, limit, state, days[0], days[1], days[2], reason)


def _line_state(clock_state: IntArray) -> IntArray:
    said = np.where(clock_state == CANNOT_SAY, NO_CLOCK, clock_state).max(axis=1)
    is_open_question = (clock_state == CANNOT_SAY).any(axis=1) | (said == NO_CLOCK)
    return np.where(is_open_question & (said < DUE), CANNOT_SAY, said)


def _check_lines(
    distance: Clock, hours: Clock, time: TimeClock, opens_share: FloatArray, closes_share: FloatArray
) -> None:
    lines = len(distance.interval)
    if any(
        values.shape != (lines,) for values in (hours.interval, time.interval_days, opens_share, closes_share)
    ):
        raise RuleError(
            "Clocks and windows have different numbers of lines. Pass one entry per line in each."
        )
    if not bool(
        np.all((opens_share >= 0) & (opens_share < 1) & (closes_share >= 0) & np.isfinite(closes_share))
    ):
        raise RuleError("A service window is not usable. Allowed: opens 0 to under 1, closes 0 or more.")


def compute_due(
    as_of: date,
    distance: Clock,
    hours: Clock,
    time: TimeClock,
    opens_share: FloatArray,
    closes_share: FloatArray,
    *,
    has_range: bool = True,
) -> DueResult:
    """Work out where every line stands on ``as_of`` and when it falls due.

    The highest u decides the state; a clock that cannot be said makes the line "cannot say" unless another
    one is due or late already. The date is that of the first clock to reach its limit at the expected use.
    The range combines the clocks, ``P = 1 - prod(1 - P_i)``; a distance or hour clock is a first passage
    counted from its last reading, so an old reading widens it by itself, and the calendar is a step.

    Args:
        as_of: the day asked about.
        distance, hours, time: the clocks of the n lines.
        opens_share, closes_share: (n,) window widths before and after the limit, as shares of the interval.
        has_range: work the range out; without, its days are nan. It takes longer than all the rest.

    Raises:
        RuleError: the arrays do not belong together or a window width is not usable.
    """
    _check_lines(distance, hours, time, opens_share, closes_share)
    by_distance, distance_passage = _meter_column(distance, opens_share, closes_share)
    by_hours, hours_passage = _meter_column(hours, opens_share, closes_share)
    by_time = _time_column(time, opens_share, closes_share)
    columns = (by_distance, by_time, by_hours)
    u = np.stack([column.u for column in columns], axis=1)
    due = np.stack([column.due for column in columns], axis=1)
    clock_state = np.stack([column.state for column in columns], axis=1)
    ranges = [
        _or_nan(
            combined_quantile(
                float(p), distance_passage, hours_passage, by_distance.due, by_hours.due, by_time.due
            )
        )
        if has_range
        else np.full(len(u), np.nan)
        for p in _QUANTILES
    ]
    return DueResult(
        as_of=as_of,
        u=u,
        used_now=np.stack([column.used for column in columns], axis=1),
        limit=np.stack([column.limit for column in columns], axis=1),
        clock_state=clock_state,
        state=_line_state(clock_state),
        binding=np.where(np.isnan(u).all(axis=1), -1, np.argmax(np.where(np.isnan(u), -np.inf, u), axis=1)),
        due_days=_or_nan(due.min(axis=1)),
        due_clock=np.where(np.isfinite(due).any(axis=1), np.argmin(due, axis=1), -1),
        p10_days=ranges[0],
        p20_days=ranges[1],
        p50_days=ranges[2],
        p90_days=ranges[3],
        opens_days=_or_nan(np.min([column.opens for column in columns], axis=0)),
        late_days=_or_nan(np.min([column.late for column in columns], axis=0)),
        missing=np.stack([column.reason for column in columns], axis=1),
    )


def _or_nan(days: FloatArray) -> FloatArray:
    return np.where(np.isfinite(days), days, np.nan)


def probability_due_by(
    distance: Clock, hours: Clock, time: TimeClock, days: float | FloatArray
) -> FloatArray:
    """Return (n,) the chance that each line is due within ``days`` of the day asked about.

    Clocks that cannot be said add nothing, so with one of them missing the chance is at least this; nan when
    no clock can be said or the scatter of one is unknown.

    Args:
        distance, hours, time: the clocks, as for `compute_due`.
        days: one number of days, or one for each line.
    """
    return probabilities_due_by(distance, hours, time, [days])[:, 0]


def probabilities_due_by(
    distance: Clock, hours: Clock, time: TimeClock, days: Sequence[float | FloatArray]
) -> FloatArray:
    """Return (n, T) the same for T numbers of days; the clocks are gone through once."""
    lines = len(distance.interval)
    none = np.zeros(lines)
    by_time = _time_column(time, none, none)
    passages = [_meter_column(clock, none, none)[1] for clock in (distance, hours)]
    is_known = (by_time.reason == OK) | passages[0].is_dated | passages[1].is_dated
    found = np.full((lines, len(days)), np.nan)
    for column, each in enumerate(days):
        by_day = np.broadcast_to(np.asarray(each, dtype=np.float64), (lines,))
        clear = (1.0 - passages[0].probability(by_day)) * (1.0 - passages[1].probability(by_day))
        # What the calendar has made certain stays so, whatever else is unknown.
        chance = np.where(by_time.due <= by_day + _DAY_DUST, 1.0, 1.0 - clear)
        found[:, column] = np.where(is_known, chance, np.nan)
    return found


def shown_day(days: FloatArray) -> FloatArray:
    """Return the whole day to show for ``days`` from the day asked about, rounded down; nan if unknown."""
    return np.floor(days + _DAY_DUST)


def shown_high_day(days: FloatArray) -> FloatArray:
    """Return the day to show for the high end of a range, rounded up; nan if unknown."""
    return np.ceil(days - _DAY_DUST)


def is_steady(shown: FloatArray, new: FloatArray) -> BoolArray:
    """Return where a shown day may stay: the new one lies within two days of it; false where either is unknown."""
    return np.abs(new - shown) <= _STEADY_DAYS


def first_day_at(days: FloatArray) -> FloatArray:
    """Return the first whole day at or after ``days``: the day on which a line opens or falls due."""
    return np.ceil(days - _DAY_DUST)


def first_day_after(days: FloatArray) -> FloatArray:
    """Return the first whole day after ``days``: the first day on which a line is late."""
    return np.floor(days + _DAY_DUST) + 1.0
