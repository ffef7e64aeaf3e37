"""Wear as it was driven: a run before a change of severity counts with the severity it was run with.

The clocks of a line run in its own km or hours at the severity of today, S. A stretch r_i run at S_i has worn the
fluid like ``r_i * S_i / S`` of today's, so the run since the last job counts as ``sum(S_i * r_i) / S``, and whatever
was fixed at that job, the age carried over and the longest run it earned, is scaled alike. Ahead the severity of
today holds. Linear cumulative wear, as in Palmgren and Miner's damage sum: common practice for oil life.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from intervals.clocks import Clock
from intervals.errors import RuleError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wear:
    """How the past of n clocks counts at the severity of today.

    Attributes:
        extra_run: (n,) what the run since the last job, up to the last reading, counts more than it is.
        age_factor: (n,) factor on the age carried over.
        job_factor: (n,) factor on a run that was fixed at the last job.
        starts_days: (n, k) days from the day asked about on which each severity began, ascending; nan where a line
            has fewer. The first also reaches back.
        factors: (n, k) that severity as a multiple of today's.
        runs: (n, k) run from the last job to the beginning of each, at most that to the last reading.
    """

    extra_run: FloatArray
    age_factor: FloatArray
    job_factor: FloatArray
    starts_days: FloatArray
    factors: FloatArray
    runs: FloatArray

    @classmethod
    def even(cls, lines: int) -> "Wear":
        """Return the wear of lines whose severity has not changed since their last job."""
        ones = np.ones(lines)
        return cls(
            np.zeros(lines), ones, ones, np.zeros((lines, 1)), np.ones((lines, 1)), np.zeros((lines, 1))
        )

    def take(self, rows: Sequence[int]) -> "Wear":
        """Return the wear of some of the clocks."""
        at = list(rows)
        return Wear(*(getattr(self, name)[at] for name in Wear.__slots__))


def wear_of(
    starts_days: FloatArray,
    severities: FloatArray,
    runs: FloatArray,
    run_to_reading: FloatArray,
    job_days: FloatArray,
    age_severity: FloatArray,
) -> Wear:
    """Return how the past of n clocks counts at the newest severity.

    Args:
        starts_days: (n, k) days from the day asked about on which each severity began, zero or less, ascending; the
            first holds for all time before; nan where a line has fewer.
        severities: (n, k) the severities, above zero where they began.
        runs: (n, k) run from the last job to each start, km or h; the first is not used.
        run_to_reading: (n,) run from the last job to the last reading; nan = unknown, then nothing is added.
        job_days: (n,) day of the last job from the day asked about; nan = unknown, then the first severity.
        age_severity: (n,) mean severity the carried age was run with; nan = that of the day of the job.

    Raises:
        RuleError: a severity is not above zero.
    """
    is_begun = ~np.isnan(starts_days)
    is_begun[:, 0] = True
    if bool(np.any(~(severities[is_begun] > 0))):
        raise RuleError("A severity is not usable. Allowed: above 0; 1 is ordinary duty.")
    rows = np.arange(len(starts_days))
    newest = severities[rows, is_begun.sum(axis=1) - 1]
    factors = np.where(is_begun, severities / newest[:, None], np.nan)
    whole = np.where(np.isfinite(run_to_reading), np.maximum(run_to_reading, 0.0), 0.0)
    begins = np.clip(np.where(is_begun, runs, np.inf), 0.0, whole[:, None])
    begins[:, 0] = 0.0
    begins = np.maximum.accumulate(begins, axis=1)
    stretches = np.diff(np.concatenate([begins, whole[:, None]], axis=1), axis=1)
    extra = np.where(is_begun, (factors - 1.0) * stretches, 0.0).sum(axis=1)
    begun_by_job = (is_begun[:, 1:] & (starts_days[:, 1:] <= job_days[:, None])).sum(axis=1)
    job_factor = factors[rows, begun_by_job]
    age_factor = np.where(np.isnan(age_severity), job_factor, age_severity / newest)
    return Wear(extra, age_factor, job_factor, starts_days, factors, np.where(is_begun, begins, np.nan))


def clock_as_driven(clock: Clock, wear: Wear) -> Clock:
    """Return clocks whose past counts as it was driven; those whose severity never changed come back as they are.

    Use expected between the last reading and a change of severity counts with the severity before it.
    """
    rows = np.flatnonzero(~np.isnan(wear.starts_days[:, 1:]).all(axis=1))
    since = clock.since_at_reading + wear.extra_run
    if not len(rows):
        return replace(clock, since_at_reading=since)
    merged = [_segments(clock, wear, int(row)) for row in rows]
    most = max([clock.segment_starts_days.shape[1], *(len(starts) for starts, _ in merged)])
    given = clock.segment_starts_days.shape
    starts, rates = (np.full((given[0], most), np.nan) for _ in range(2))
    starts[:, : given[1]], rates[:, : given[1]] = clock.segment_starts_days, clock.segment_rates
    for row, (own_starts, own_rates) in zip(rows, merged, strict=True):
        starts[row], rates[row] = np.nan, np.nan
        starts[row, : len(own_starts)], rates[row, : len(own_rates)] = own_starts, own_rates
    return replace(clock, since_at_reading=since, segment_starts_days=starts, segment_rates=rates)


def _segments(clock: Clock, wear: Wear, row: int) -> tuple[FloatArray, FloatArray]:
    """Return the stretches of use of one line from its last reading on, each at its severity."""
    starts, rates = clock.segment_starts_days[row], clock.segment_rates[row]
    is_used = ~np.isnan(starts)
    is_used[0] = True
    starts, rates = starts[is_used], rates[is_used]
    begins, factors = wear.starts_days[row], wear.factors[row]
    is_begun = ~np.isnan(factors)
    begins, factors = begins[is_begun], factors[is_begun]
    reading = -clock.stale_days[row]
    turns = begins[begins > reading]
    if not len(turns):
        return starts, rates
    days = np.unique(np.concatenate([[reading], starts[starts > reading], turns]))
    at_use = np.maximum(np.searchsorted(starts, days, side="right") - 1, 0)
    at_severity = np.searchsorted(begins[1:], days, side="right")
    return days, rates[at_use] * factors[at_severity]
