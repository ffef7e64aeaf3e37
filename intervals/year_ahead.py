"""The jobs of a year to come, line by line: due, done, and due again.

A job falls due when the first clock of its line has run what it may; it renews the share f, what stays behind keeps
its age, and the next run follows from that age: ``A' = (1 - f)*A``, ``next = min(cap*I, I/f_ref - A')``. Lines run
at one rate each, so a season moves the jobs within the year less than it does in life.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.clocks import Clock
from intervals.errors import RuleError
from intervals.fluid_age import Policy, age_after_exchange, next_due

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

YEAR_DAYS: Final = 365
LEAST_DAYS_BETWEEN: Final = 7.0
"""Where one change is not enough the next comes a week later at the earliest. House default."""

_DAY_DUST: Final = 1e-6


@dataclass(frozen=True, slots=True)
class AheadClocks:
    """The clocks of n lines on the first day; k clocks a line, each in its own unit (km, h, days).

    Attributes:
        run: (n, k) run since the last job.
        next_run: (n, k) run allowed since the last job.
        interval: (n, k) interval after severity; nan = no such clock.
        rate_per_day: (n, k) run a day from now on; 1 for the calendar.
        age: (n, k) mean age the fluid had just after the last job.
    """

    run: FloatArray
    next_run: FloatArray
    interval: FloatArray
    rate_per_day: FloatArray
    age: FloatArray

    def __post_init__(self) -> None:
        shapes = {own.shape for own in (self.run, self.next_run, self.interval, self.rate_per_day, self.age)}
        if len(shapes) != 1 or len(self.run.shape) != 2:
            raise RuleError("The clocks' arrays do not match. Allowed: all (n, k).")


@dataclass(frozen=True, slots=True)
class JobsAhead:
    """The jobs found, in order of their rounds, and the lines of which nothing can be said.

    Attributes:
        lines, days: of each job its line and its day, 0 the first day; whole days rounded down.
        is_known: (n,) at least one clock of the line can be said; one that stands still counts as known.
    """

    lines: IntArray
    days: IntArray
    is_known: BoolArray


def jobs_ahead(
    clocks: AheadClocks,
    share: FloatArray,
    f_ref: FloatArray,
    cap: FloatArray,
    policy: Policy,
    last_day: IntArray | int = YEAR_DAYS - 1,
) -> JobsAhead:
    """List the jobs of every line from day 0 to its last day, both counted.

    What is due already is done on day 0. A clock that cannot be said is left out: with it the job might come sooner.
    Under "by sample" the laboratory decides and nothing beyond the first job can be said.

    Args:
        clocks: where the lines stand.
        share: (n,) fresh share each job gives, 0 to 1.
        f_ref, cap, policy: (n,) the rule, as for `fluid_age.next_due`.
        last_day: last day looked at, one for all lines or (n,).

    Raises:
        RuleError: a share, assumed freshness, cap or policy is not usable.
    """
    lines, kinds = clocks.run.shape
    policies = np.broadcast_to(np.asarray(policy), (lines,))
    spread = [np.repeat(own[:, None], kinds, axis=1) for own in (share, f_ref, cap, policies)]
    shares, f_refs, caps = (own.astype(np.float64) for own in spread[:3])
    until = np.broadcast_to(np.asarray(last_day), (lines,))
    run, next_run, age = clocks.run, clocks.next_run, clocks.age
    day = np.zeros(lines)
    least_wait = 0.0
    found: list[tuple[IntArray, IntArray]] = []
    is_known: BoolArray = np.any(np.isfinite(_waits(run, next_run, clocks)) | _stands(clocks), axis=1)
    while True:
        wait = np.maximum(_first(_waits(run, next_run, clocks)), least_wait)
        day = day + wait
        whole = np.floor(day + _DAY_DUST)
        is_job = whole <= until
        if not bool(is_job.any()):
            break
        found.append((np.flatnonzero(is_job), whole[is_job].astype(np.int64)))
        day = np.where(is_job, day, np.inf)
        moved = np.where(np.isfinite(wait), wait, 0.0)[:, None] * clocks.rate_per_day
        age = age_after_exchange(shares, age + run + moved)
        next_run = next_due(clocks.interval, age, f_refs, caps, spread[3])
        run = np.zeros_like(run)
        least_wait = LEAST_DAYS_BETWEEN
    none = np.zeros(0, dtype=np.int64)
    job_lines, days = (
        np.concatenate([none, *column]) for column in (zip(*found, strict=True) if found else ((), ()))
    )
    return JobsAhead(job_lines, days, is_known)


def mean_rate(clock: Clock, days: int = YEAR_DAYS) -> FloatArray:
    """Return (n,) the mean use a day over the days to come, from the stretches of the year; nan when one is unknown.

    Args:
        clock: the clock whose stretches to go by.
        days: how many days ahead the mean reaches.
    """
    starts, rates = clock.segment_starts_days, clock.segment_rates
    is_unused = np.isnan(starts)
    is_unused[:, 0] = False
    begins = np.where(is_unused, np.inf, starts)
    ends = np.concatenate([begins[:, 1:], np.full((len(starts), 1), np.inf)], axis=1)
    begins[:, 0] = -np.inf
    within = np.maximum(np.clip(ends, 0, days) - np.clip(begins, 0, days), 0.0)
    out: FloatArray = np.where(within > 0, within * rates, 0.0).sum(axis=1) / days
    return out


def run_today(clock: Clock) -> FloatArray:
    """Return (n,) the run since the last job by today: at the last reading, and at the use of those days since."""
    since_reading = np.where(clock.stale_days > 0, clock.stale_days * clock.segment_rates[:, 0], 0.0)
    out: FloatArray = clock.since_at_reading + since_reading
    return out


def _waits(run: FloatArray, next_run: FloatArray, clocks: AheadClocks) -> FloatArray:
    """Return (n, k) days until each clock has run what it may; nan where that cannot be said or never comes."""
    moves = (clocks.rate_per_day > 0) & (clocks.interval > 0)
    left = np.where(moves, np.maximum(next_run - run, 0.0), np.nan)
    return np.divide(left, clocks.rate_per_day, out=np.full_like(left, np.nan), where=moves)


def _stands(clocks: AheadClocks) -> BoolArray:
    has_run = np.isfinite(clocks.run) & np.isfinite(clocks.next_run) & (clocks.interval > 0)
    out: BoolArray = has_run & (clocks.rate_per_day == 0)
    return out


def _first(waits: FloatArray) -> FloatArray:
    out: FloatArray = np.where(np.isnan(waits), np.inf, waits).min(axis=1)
    return out
