"""Age of the fluid after a partial exchange, and how far it may run until the next one.

Age is counted in km, in hours and in days, each on its own. What stays behind at an exchange keeps its age.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, overload

import numpy as np
import numpy.typing as npt

from intervals.errors import RuleError
from intervals.rules import AGE_CREDIT, BY_SAMPLE, FULL_CREDIT, POLICIES, add_months, check_credit

FloatArray = npt.NDArray[np.float64]
Policy = str | Sequence[str] | npt.NDArray[np.str_]
_SHARE_SLACK: Final = 1e-9


def _check_share(share: float | FloatArray) -> None:
    if bool(np.any((np.asarray(share) < 0) | (np.asarray(share) > 1))):
        raise RuleError(
            f"Fresh share {share} is not usable. Allowed: 0 to 1. Check litres in against total fill."
        )


@overload
def age_after_exchange(share: float, age_before: float) -> float: ...
@overload
def age_after_exchange(share: FloatArray, age_before: FloatArray) -> FloatArray: ...
def age_after_exchange(share: float | FloatArray, age_before: float | FloatArray) -> float | FloatArray:
    """Return the mean age after an exchange, ``A' = (1 - f) * A``.

    Args:
        share: fresh share f after the exchange, 0 to 1.
        age_before: volume-weighted mean age before it, in km, h or days.

    Raises:
        RuleError: the share lies outside 0 to 1.
    """
    _check_share(share)
    return (1.0 - share) * age_before


@dataclass(frozen=True, slots=True)
class SteadyAges:
    """Ages of fluid exchanged by one share for ever: just before a service, just after, on average."""

    before: float
    after: float
    mean: float


def steady_ages(interval: float, share: float) -> SteadyAges:
    """Return the ages that exchanging ``share`` every ``interval`` settles at.

    ``before = I/f``, ``after = (1 - f)*I/f``, ``mean = I*(1/f - 1/2)``, the limit of `age_before_service`.
    """
    _check_share(share)
    if share == 0:
        raise RuleError("A service that changes nothing never settles. Allowed: a fresh share above 0.")
    before = interval / share
    return SteadyAges(before, before - interval, before - interval / 2)


def age_before_service(interval: float, share: float, services: int) -> float:
    """Return the age before the n-th service of fluid that began fresh: ``I * (1 - (1 - f)^n) / f``."""
    return interval * math.fsum((1.0 - share) ** done for done in range(services))


@overload
def next_due(
    interval: float,
    age_after: float,
    f_ref: float = 1.0,
    cap: float = 1.0,
    policy: str = AGE_CREDIT,
    sample_remaining: float = math.nan,
) -> float: ...
@overload
def next_due(
    interval: FloatArray,
    age_after: FloatArray,
    f_ref: float | FloatArray = 1.0,
    cap: float | FloatArray = 1.0,
    policy: Policy = AGE_CREDIT,
    sample_remaining: float | FloatArray = math.nan,
) -> FloatArray: ...
def next_due(
    interval: float | FloatArray,
    age_after: float | FloatArray,
    f_ref: float | FloatArray = 1.0,
    cap: float | FloatArray = 1.0,
    policy: Policy = AGE_CREDIT,
    sample_remaining: float | FloatArray = math.nan,
) -> float | FloatArray:
    """Return how far the fluid may run after an exchange, in the interval's unit; elementwise for arrays.

    =============  ==========================================================
    full credit    ``min(cap*I, I)``
    age credit     ``min(cap*I, I/f_ref - A')``
    by sample      ``min(cap*I, remaining life by the laboratory)``
    =============  ==========================================================

    Zero or less means one change was not enough: the unit stays past due. An unknown input gives nan.

    Args:
        interval: I, after severity.
        age_after: A', mean age after the exchange.
        f_ref: assumed freshness, above 0 up to 1.
        cap: the most, as a share of I.
        policy: one of `rules.POLICIES`, or one for each element.
        sample_remaining: remaining life by the laboratory, for "by sample".

    Raises:
        RuleError: assumed freshness, cap or policy is not usable.
    """
    policies = np.asarray(policy)
    _check_credits(np.asarray(f_ref, dtype=np.float64), np.asarray(cap, dtype=np.float64), policies)
    life = np.asarray(interval, dtype=np.float64)
    by_age = life / f_ref - age_after
    allowed = np.select(
        [policies == FULL_CREDIT, policies == BY_SAMPLE],
        [life, np.asarray(sample_remaining, dtype=np.float64)],
        by_age,
    )
    out = np.minimum(np.asarray(cap) * life, allowed)
    return float(out) if out.ndim == 0 else out


def _check_credits(f_ref: FloatArray, cap: FloatArray, policies: npt.NDArray[np.str_]) -> None:
    unknown = set(np.unique(policies).tolist()) - set(POLICIES)
    for name in sorted(unknown):
        check_credit(1.0, 1.0, str(name))
    # Compared this way round so that an unknown figure passes and comes out as unknown.
    for value in f_ref[(f_ref <= 0) | (f_ref > 1)].flat:
        check_credit(float(value), 1.0, AGE_CREDIT)
    for value in cap[(cap <= 0) | np.isinf(cap)].flat:
        check_credit(1.0, float(value), AGE_CREDIT)


@dataclass(frozen=True, slots=True)
class TimeClockDays:
    """A calendar interval in days: the interval itself, and what is left of it after the exchange."""

    interval_days: float
    next_days: float


def time_clock_days(
    job_day: date,
    months: int,
    carried_days: float = 0.0,
    f_ref: float = 1.0,
    cap: float = 1.0,
    policy: str = AGE_CREDIT,
    sample_remaining_days: float = math.nan,
) -> TimeClockDays:
    """Return the calendar clock of a job: ``I = days from the job to the same day so many months later``.

    Args:
        job_day: the day of the job.
        months: the interval in whole months; the month end is clipped.
        carried_days: mean age of the fluid after the job, days.
        f_ref, cap, policy: as for `next_due`.
        sample_remaining_days: remaining life by the laboratory, days.
    """
    interval = float((add_months(job_day, months) - job_day).days)
    return TimeClockDays(
        interval, next_due(interval, carried_days, f_ref, cap, policy, sample_remaining_days)
    )


def time_clock_days_array(
    job_days: npt.NDArray[np.datetime64],
    months: FloatArray,
    carried_days: FloatArray,
    f_ref: float | FloatArray = 1.0,
    cap: float | FloatArray = 1.0,
    policy: Policy = AGE_CREDIT,
    sample_remaining_days: float | FloatArray = math.nan,
) -> tuple[FloatArray, FloatArray]:
    """Return (interval_days, next_days) of many jobs at once; the array form of `time_clock_days`.

    Args:
        job_days: (n,) days as datetime64[D]; NaT where there was no job.
        months: (n,) whole months; nan where the rule has no calendar clock.
        carried_days, f_ref, cap, policy, sample_remaining_days: as for `time_clock_days`.

    Raises:
        RuleError: an interval is not a whole number of months above zero.
    """
    is_known = np.isfinite(months)
    if bool(np.any(is_known & ((months != np.rint(months)) | (months <= 0)))):
        raise RuleError("A calendar interval is not usable. Allowed: whole months above 0. Round it down.")
    days = job_days.astype("datetime64[D]")
    first_of_month = days.astype("datetime64[M]")
    target = first_of_month + np.where(is_known, months, 0).astype("timedelta64[M]")
    last_of_month = (target + np.timedelta64(1, "M")).astype("datetime64[D]") - np.timedelta64(1, "D")
    ends = np.minimum(
        target.astype("datetime64[D]") + (days - first_of_month.astype("datetime64[D]")), last_of_month
    )
    is_known = is_known & ~np.isnat(days)
    interval = np.where(is_known, (ends - days).astype("timedelta64[D]").astype(np.float64), np.nan)
    return interval, next_due(interval, carried_days, f_ref, cap, policy, sample_remaining_days)


@dataclass(frozen=True, slots=True)
class Parcel:
    """A part of the fill: its share of the volume and its age in km, h or days."""

    share: float
    age: float


def exchange_parcels(parcels: Sequence[Parcel], fresh_share: float) -> tuple[Parcel, ...]:
    """Return the parcels after an exchange: all old ones thinned alike, and a fresh one of age zero first."""
    _check_share(fresh_share)
    _check_whole(parcels)
    kept = tuple(Parcel(part.share * (1.0 - fresh_share), part.age) for part in parcels)
    fresh = (Parcel(fresh_share, 0.0),) if fresh_share > 0 else ()
    return fresh + tuple(part for part in kept if part.share > 0)


def age_parcels(parcels: Sequence[Parcel], run: float) -> tuple[Parcel, ...]:
    """Return the parcels after running on by ``run`` (km, h or days)."""
    return tuple(Parcel(part.share, part.age + run) for part in parcels)


def mean_age(parcels: Sequence[Parcel]) -> float:
    """Return the volume-weighted mean age of the fill."""
    _check_whole(parcels)
    return math.fsum(part.share * part.age for part in parcels)


def oldest_age(parcels: Sequence[Parcel]) -> float:
    """Return the age of the oldest parcel: what counts for brake fluid and coolant."""
    _check_whole(parcels)
    return max(part.age for part in parcels)


def start_share_after_swap(total_l: float, kept_l: float) -> float:
    """Return the fresh share at which a swapped unit starts when ``kept_l`` of old fluid stays in cooler and
    lines.

    ``f = (V - kept) / V``; the kept part keeps its age.
    """
    if not (0 <= kept_l <= total_l and total_l > 0):
        raise RuleError(
            f"{kept_l} L kept of {total_l} L is not usable. Allowed: 0 up to the total fill. Check both."
        )
    return (total_l - kept_l) / total_l


def _check_whole(parcels: Sequence[Parcel]) -> None:
    total = math.fsum(part.share for part in parcels)
    if abs(total - 1.0) > _SHARE_SLACK:
        raise RuleError(
            f"The parcels add up to {total:.6f}. Allowed: exactly 1. Include every part of the fill."
        )
