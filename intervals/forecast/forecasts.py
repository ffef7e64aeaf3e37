"""A forecast of the day on which a meter will have moved on by so much, with a range, learned as time goes by.

The mean rate over the time ahead is a weighted sum of what is known: the meter's recent use at several time scales,
its last twelve months, its group's level and recent use, the season. The weights start at plain ones and are learned
from forecasts whose outcome has come, by ridge regression drawn to the start (Hoerl and Kennard 1970) with absolute
errors in days approached by reweighting (Schlossmacher 1973). The range is that of past errors, set wider or narrower
until as many outcomes fall outside as promised (adaptive conformal inference, Gibbs and Candès 2021).
Nothing looks ahead: an outcome teaches from the month after the reading that showed it.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from intervals.errors import ReadingError
from intervals.forecast.features import HALF_LIVES_DAYS, MONTH_DAYS, Features, features_of, months_of
from intervals.forecast.histories import FloatArray, Histories, IntArray
from intervals.forecast.season import season_ahead

COVERAGE = 0.80
LONGEST_DAYS = 3650.0
"""No forecast reaches further than ten years; a standing meter stays there."""

START_WEIGHTS = np.array([0.12, 0.2, 0.2, 0.05, 0.0, 0.15, 0.02, 0.05, 0.1, 0.1, 0.03, 0.0, 1.0, -0.2, -0.3])
"""Own recent use from short to long, last twelve months, group level and recent use, constant, season. They only stand
until outcomes have come; chosen on simulated fleets, to be near what the fleets of each kind learn. The season ahead
counts in full, as it is drawn towards none already; what it gave recent use is taken off, as far as that counts."""
RIDGE = 40.0
"""What the start weighs, in outcomes of a two-month forecast; on simulated fleets 20 to 150 differ by a hundredth."""
TEACHES_AFTER_DAYS = 150.0
LEAST_RATE_SHARE = 0.1
_SMALLEST_ERROR = 0.05
_OUTCOME_WEIGHT = 0.15
_USUAL_LEAD_DAYS = 60.0
_START_SPREAD = 0.25
"""Relative error of a two-month forecast taken before any outcome has come; it grows with the root of the lead. House
default."""
_LEAST_OUTCOMES = 50
_RECENT_OUTCOMES = 4000
_TAIL_STEP = 0.3
_TAIL_LIMITS = (0.005, 0.35)


@dataclass(frozen=True, slots=True)
class Forecasts:
    """One row per reading: days from it until the meter has moved on by the lead; nan where it cannot be said.

    Attributes:
        days: the forecast.
        low_days, high_days: range that holds about 80 of 100 outcomes.
        outcome_days: what really came, read off a straight line between the two readings around it; nan until then.
        known_on: ordinal of the reading that showed the outcome.
    """

    days: FloatArray
    low_days: FloatArray
    high_days: FloatArray
    outcome_days: FloatArray
    known_on: FloatArray


def forecast_moves(histories: Histories, lead: float, features: Features | None = None) -> Forecasts:
    """Forecast, at every reading, the day on which the meter will have moved on by `lead`.

    Args:
        histories: the fleet's readings.
        lead: how much, in the meters' unit, above zero.
        features: what `features_of` gave, to save working it out again.

    Returns:
        The forecasts.

    Raises:
        ReadingError: a lead that is not above zero.
    """
    if not 0.0 < lead < np.inf:
        raise ReadingError(
            f"A lead of {lead:g} cannot be forecast; give how far the meter moves on, above zero."
        )
    known = features_of(histories) if features is None else features
    level = np.maximum(known.own[:, -1], 1e-9)
    inputs = _inputs(histories, known, level, lead)
    outcome_days, known_on = outcomes_of(histories, lead)
    return _learned(histories, known, level, inputs, lead, outcome_days, known_on)


def outcomes_of(histories: Histories, lead: float) -> tuple[FloatArray, FloatArray]:
    """Return when each meter had really moved on by `lead`, in days from the reading, and the day this was known."""
    days, known_on = np.full(histories.day.size, np.nan), np.full(histories.day.size, np.nan)
    for begin, end in zip(histories.starts[:-1], histories.starts[1:], strict=True):
        day, total = histories.day[begin:end], histories.total[begin:end]
        after = np.searchsorted(total, total + lead, side="left")
        is_there = after < day.size
        after = np.minimum(after, day.size - 1)
        before = np.maximum(after - 1, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            way = (total + lead - total[before]) / (total[after] - total[before])
            found = day[before] + way * (day[after] - day[before]) - day
        days[begin:end] = np.where(is_there, found, np.nan)
        known_on[begin:end] = np.where(is_there, day[after], np.nan)
    return days, known_on


def _inputs(histories: Histories, known: Features, level: FloatArray, lead: float) -> FloatArray:
    """Return what the rate ahead is made of, each as a share of the meter's own long-run level, less one."""

    def share(rate: FloatArray) -> FloatArray:
        return np.clip(rate / level, 0.0, 4.0) - 1.0

    season = season_ahead(histories, known, lead / level)
    scales = range(len(HALF_LIVES_DAYS))
    return np.column_stack(
        [
            *(share(known.own[:, scale]) for scale in scales),
            np.nan_to_num(share(known.year)),
            share(known.group[:, -1]),
            *(share(known.group[:, scale]) for scale in scales if scale != 4),
            np.ones(level.size),
            season.ahead,
            season.behind[0],
            season.behind[1],
        ]
    )


def _learned(
    histories: Histories, known: Features, level: FloatArray, inputs: FloatArray, lead: float,
    outcome_days: FloatArray, known_on: FloatArray,
) -> Forecasts:  # fmt: skip
    month = months_of(histories.day)
    days, low, high = (np.full(level.size, np.nan) for _ in range(3))
    is_said: npt.NDArray[np.bool_] = np.asarray(np.isfinite(inputs).all(axis=1))
    teaches = np.flatnonzero(is_said & (outcome_days > 0) & (known.age_days > TEACHES_AFTER_DAYS))
    teaches = teaches[np.argsort(known_on[teaches], kind="stable")]
    taught_in = months_of(known_on[teaches])
    model, spread = _Model(), _Tails()
    done = 0
    by_month = np.argsort(month, kind="stable")
    firsts = np.flatnonzero(np.diff(month[by_month], prepend=-1))
    for rows in np.split(by_month, firsts[1:]) if by_month.size else []:
        upto = int(np.searchsorted(taught_in, month[rows[0]], side="left"))
        new, done = teaches[done:upto], upto
        if new.size:
            share = lead / np.maximum(outcome_days[new], 0.5) / level[new] - 1.0
            model.learn(inputs[new], share, lead / level[new])
            is_new = np.isfinite(days[new])
            spread.learn(new[is_new], outcome_days, days, low, high, known.scatter)
        own = rows[is_said[rows]]
        rate = np.maximum(1.0 + inputs[own] @ model.weights, LEAST_RATE_SHARE) * level[own]
        days[own] = np.minimum(lead / rate, LONGEST_DAYS)
        below, above = spread.bounds(known.scatter[own])
        low[own] = days[own] * below
        high[own] = np.minimum(days[own] * above, 2.0 * LONGEST_DAYS)
        if own.size:
            spread.note_lead(np.minimum(lead / level[own], LONGEST_DAYS))
    return Forecasts(days, low, high, outcome_days, known_on)


class _Model:
    """Weights learned from outcomes, drawn to the start."""

    def __init__(self) -> None:
        size = START_WEIGHTS.size
        self.weights = START_WEIGHTS.copy()
        self._products, self._sums = RIDGE * np.eye(size), RIDGE * START_WEIGHTS

    def learn(self, inputs: FloatArray, share: FloatArray, lead_days: FloatArray) -> None:
        """Take outcomes in: the mean rate that came, as a share of the level less one.

        An error of the rate is an error in days the larger the slower the meter ran, at most as for its level; long
        forecasts overlap, so their outcomes weigh less.
        """
        error = np.abs(share - np.maximum(inputs @ self.weights, LEAST_RATE_SHARE - 1.0))
        in_days = np.minimum(1.0 / np.maximum(1.0 + share, LEAST_RATE_SHARE) ** 2, 1.0)
        overlap = np.maximum(lead_days / _USUAL_LEAD_DAYS, 1.0)
        weight = _OUTCOME_WEIGHT * in_days / np.maximum(error, _SMALLEST_ERROR) / overlap
        self._products += inputs.T @ (inputs * weight[:, None])
        self._sums += inputs.T @ (weight * share)
        self.weights = np.linalg.solve(self._products, self._sums)


class _Tails:
    """How far outcomes fell from their forecasts, in units of each meter's scatter."""

    def __init__(self) -> None:
        tail = (1.0 - COVERAGE) / 2.0
        self._tail = {False: tail, True: tail}
        self._errors: deque[float] = deque(maxlen=_RECENT_OUTCOMES)
        self._lead_months = _USUAL_LEAD_DAYS / MONTH_DAYS
        self._months = 0

    def note_lead(self, lead_days: FloatArray) -> None:
        """Note how long the lead takes at the levels of a month's meters."""
        self._lead_months = max(float(np.median(lead_days)) / MONTH_DAYS, 1.0)

    def learn(
        self, rows: IntArray, outcome: FloatArray, days: FloatArray, low: FloatArray, high: FloatArray,
        scatter: FloatArray,
    ) -> None:  # fmt: skip
        """Take a month's outcomes in, and move each tail by how many fell outside it.

        What is learned comes a lead late; a tail that moved faster would swing.
        """
        if not rows.size:
            return
        self._months += 1
        target, step = (1.0 - COVERAGE) / 2.0, _TAIL_STEP / self._lead_months
        if len(self._errors) >= _LEAST_OUTCOMES:
            missed = {False: np.mean(outcome[rows] < low[rows]), True: np.mean(outcome[rows] > high[rows])}
            for is_high, share in missed.items():
                self._tail[is_high] = float(
                    np.clip(self._tail[is_high] + step * (target - share), *_TAIL_LIMITS)
                )
        self._errors.extend((np.log(outcome[rows] / days[rows]) / self._scale(scatter[rows])).tolist())

    def bounds(self, scatter: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the factors from a forecast to the ends of its range."""
        scale = self._scale(scatter)
        if len(self._errors) < _LEAST_OUTCOMES:
            wide = 1.2816 * _START_SPREAD * (self._lead_months / 2.0) ** 0.5
            return np.exp(np.full(scale.size, -wide)), np.exp(np.full(scale.size, wide))
        # Outcomes of one lead overlap: what has been seen is worth so many leads, and a few say little of the tails.
        leads = self._months / self._lead_months
        low, high = (self._tail[is_high] * leads / (leads + 1.0) for is_high in (False, True))
        ends = np.quantile(np.array(self._errors), [low, 1.0 - high])
        return np.exp(ends[0] * scale), np.exp(ends[1] * scale)

    @staticmethod
    def _scale(scatter: FloatArray) -> FloatArray:
        return np.clip(np.nan_to_num(scatter, nan=_START_SPREAD), 0.02, 2.0)
