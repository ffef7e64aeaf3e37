"""Meters: the true total behind what the meter shows, and which readings to ask about before they count."""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.errors import ReadingError
from intervals.quantities import KM_PER_UNIT

CHANGE_KINDS: Final = ("replaced", "rolled over")
_TIMES_P99: Final = 3.0
# Common practice, no source: without a measured 99th percentile a busy day is three ordinary ones.
_P99_PER_TYPICAL: Final = 3.0
_RATIO_TOLERANCE: Final = 0.03
_SLIPS: Final = (
    ("decimal_point", 10.0, "has the decimal point been lost?"),
    ("decimal_point", 0.1, "has a digit been lost?"),
    ("km_or_miles", KM_PER_UNIT["mi"], "was it read in km on a meter kept in miles?"),
    ("km_or_miles", 1.0 / KM_PER_UNIT["mi"], "was it read in miles on a meter kept in km?"),
)
_LEAST_SLIP: Final = min(max(ratio, 1.0 / ratio) for _, ratio, _ in _SLIPS) * (1.0 - _RATIO_TOLERANCE)
"""No slip makes a reading stand nearer than this to the expected one, above or below it."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeterChange:
    """A day on which the meter itself changed.

    Attributes:
        day: the first day on which readings are those of the new count.
        kind: "replaced" or "rolled over".
        last_old: what the old count had reached, in the meter's own unit; for a roll-over the count at which
            the meter shows zero again, so 10 000.0 for one that goes up to 9 999.9.
        first_new: what the new count showed at that moment; 0 for a roll-over.
    """

    day: date
    kind: str
    last_old: float
    first_new: float

    def __post_init__(self) -> None:
        if self.kind not in CHANGE_KINDS:
            raise ReadingError(
                f'"{self.kind}" is not a meter change. Allowed: {", ".join(CHANGE_KINDS)}. Choose one.'
            )
        if not (math.isfinite(self.last_old) and math.isfinite(self.first_new)):
            raise ReadingError("A meter change needs the last old and the first new reading. Enter both.")
        if self.last_old < 0 or self.first_new < 0:
            raise ReadingError(
                "A meter cannot show less than zero. Enter the last old and first new reading again."
            )


def roll_over(day: date, rolls_over_at: float) -> MeterChange:
    """Return the change of a meter that shows zero again at ``rolls_over_at``, first seen on ``day``."""
    return MeterChange(day, "rolled over", rolls_over_at, 0.0)


def rolls_over_at(last_old: float) -> float:
    """Return the count at which a meter that last showed ``last_old`` begins again at zero.

    The smallest power of ten that is not below it: every wheel stands at nine before. For meters without a figure of
    their own; common practice, no source.
    """
    span = 1.0
    while span < last_old:
        span *= 10.0
    return span


def offsets(changes: Sequence[MeterChange], days: Sequence[date]) -> npt.NDArray[np.float64]:
    """Return what to add to the raw reading of each day to get the true total.

    ``offset_new = last_old + offset_old - first_new``; a reading on the day of a change is the new meter's.

    Args:
        changes: the meter's changes, in any order, in its own unit.
        days: the days of the readings.
    """
    ordered = sorted(changes, key=lambda change: change.day)
    gained = np.array([change.last_old - change.first_new for change in ordered], dtype=np.float64)
    running = np.concatenate([np.zeros(1), np.cumsum(gained)])
    change_days = [change.day for change in ordered]
    return running[[bisect_right(change_days, day) for day in days]]


def true_total(raw: float, day: date, changes: Sequence[MeterChange]) -> float:
    """Return the true total behind ``raw`` (meter's own unit) as read on ``day``, over all changes so far."""
    return float(raw + offsets(changes, [day])[0])


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a reading counts at once or is asked about first.

    Attributes:
        status: "accepted" or "asked".
        code: ok, first, lower_than_last, above_later, too_fast, km_or_miles, decimal_point or rolled_over.
        guess: what the meter probably shows, in its own unit; for a roll-over the count it would show without
            one. None when there is no good guess.
        sentence: the question in words; empty when accepted.
    """

    status: str
    code: str
    guess: float | None
    sentence: str


def judge(
    candidate_raw: float,
    candidate_day: date,
    accepted: Sequence[tuple[date, float]],
    offset: float,
    typical_per_day: float | None,
    p99_per_day: float | None = None,
    rolls_over_at: float | None = None,
    unit: str = "",
) -> Verdict:
    """Judge one reading against those already accepted.

    Asked about: lower than the last; more than three times the 99th percentile of daily use; and one that
    stands to the expected reading as km to miles or as ten to one, if it is also beyond an ordinary busy
    stretch.

    Args:
        candidate_raw: what was typed, in the meter's own unit.
        candidate_day: the day it was read.
        accepted: (day, true total) of the accepted readings, days ascending.
        offset: what to add to a raw reading of that day to get the true total.
        typical_per_day: ordinary use per day, or None (or nan) when unknown; then speed is not judged.
        p99_per_day: 99th percentile of the daily use, or None when unknown; then three times the typical use.
        rolls_over_at: the count at which the meter shows zero again, or None when it has none.
        unit: the unit to name in the sentence.

    Raises:
        ReadingError: the reading is below zero or not a number.
    """
    if not math.isfinite(candidate_raw) or candidate_raw < 0:
        raise ReadingError(f"{candidate_raw} is not a reading. Allowed: zero or more. Read the meter again.")
    position = bisect_right([day for day, _ in accepted], candidate_day)
    if position == 0 and not accepted:
        return Verdict("accepted", "first", None, "")
    limits = _Limits.around(candidate_day, accepted, position, typical_per_day, p99_per_day)
    total = candidate_raw + offset
    if limits.low <= total <= limits.busy:
        return Verdict("accepted", "ok", None, "")
    return _question(candidate_raw, offset, limits, rolls_over_at, unit)


def are_surely_accepted(
    days: FloatArray,
    last_total: FloatArray,
    total: FloatArray,
    busiest_per_day: FloatArray,
    p99_per_day: FloatArray,
) -> npt.NDArray[np.bool_]:
    """Return (n,) which readings `judge` accepts whatever the typical use; of the others it may accept some as well.

    Each is the latest of a meter that never changed. Accepted is one within ordinary busy days, and one up to three
    times as fast where it cannot be a slip: all that may be expected lies too near to it.

    Args:
        days: days since the last accepted reading.
        last_total, total: of that reading and of the new one.
        busiest_per_day: most use a day so far, which the typical use does not exceed; nan when unknown.
        p99_per_day: 99th percentile of the daily use, at most that.
    """
    rises = (days > 0) & (total >= last_total)
    is_ordinary = total <= last_total + p99_per_day * days
    is_possible = total <= last_total + _TIMES_P99 * p99_per_day * days
    is_no_slip = last_total + _TIMES_P99 * busiest_per_day * days < _LEAST_SLIP * last_total
    return rises & (is_ordinary | (is_possible & is_no_slip))


@dataclass(frozen=True, slots=True)
class _Limits:
    """True totals around a plausible reading."""

    low: float
    expected: float
    busy: float
    too_fast: float
    later: float

    @classmethod
    def around(
        cls,
        day: date,
        accepted: Sequence[tuple[date, float]],
        position: int,
        typical_per_day: float | None,
        p99_per_day: float | None,
    ) -> "_Limits":
        later = accepted[position][1] if position < len(accepted) else math.inf
        if position == 0:
            return cls(0.0, later, later, later, later)
        last_day, last_total = accepted[position - 1]
        # Two readings on one day may still lie a day's use apart.
        days = max((day - last_day).days, 1)
        typical = math.nan if typical_per_day is None else typical_per_day
        p99 = _P99_PER_TYPICAL * typical if p99_per_day is None else p99_per_day
        known = math.isfinite(p99)
        return cls(
            low=last_total,
            expected=last_total + (typical * days if math.isfinite(typical) else 0.0),
            busy=min(last_total + p99 * days if known else math.inf, later),
            too_fast=min(last_total + _TIMES_P99 * p99 * days if known else math.inf, later),
            later=later,
        )


def _question(raw: float, offset: float, limits: _Limits, rolls_over_at: float | None, unit: str) -> Verdict:
    total = raw + offset
    shown = f"{raw:g} {unit}".rstrip()
    if (
        total < limits.low
        and rolls_over_at is not None
        and limits.low <= total + rolls_over_at <= limits.too_fast
    ):
        sentence = f"{shown} is lower than the last reading: has the meter begun again at {rolls_over_at:g}?"
        return Verdict("asked", "rolled_over", raw + rolls_over_at, sentence)
    expected_raw = limits.expected - offset
    for code, ratio, question in _SLIPS:
        if code == "km_or_miles" and unit == "h":
            continue
        guess = raw / ratio
        is_near = expected_raw > 0 and abs(raw / expected_raw / ratio - 1.0) <= _RATIO_TOLERANCE
        # One unit of grace: a converted and rounded reading may fall just short of the last one.
        if is_near and limits.low - 1.0 <= guess + offset <= limits.too_fast:
            about = f"{shown} is {raw / expected_raw:.3g} times the {expected_raw:g} expected"
            return Verdict("asked", code, guess, f"{about}: {question} {guess:.1f} would fit.")
    if total < limits.low:
        last = f"{limits.low - offset:g}"
        sentence = (
            f"{shown} is lower than the last reading, {last}. Read it again; if the meter was replaced or rolled over, "
            "note that on the vehicle's meters page first."
        )
        return Verdict("asked", "lower_than_last", None, sentence)
    if total > limits.later:
        later = f"{limits.later - offset:g}"
        sentence = f"{shown} is higher than a later reading, {later}. Check the day and the figure."
        return Verdict("asked", "above_later", None, sentence)
    if total > limits.too_fast:
        most = f"{limits.too_fast - offset:g}"
        sentence = f"{shown} is more than the busiest days could make it, {most} at most. Read it again."
        return Verdict("asked", "too_fast", None, sentence)
    return Verdict("accepted", "ok", None, "")
