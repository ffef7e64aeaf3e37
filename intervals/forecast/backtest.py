"""The forecast tested on a fleet's own past: walked forward without looking ahead, beside two naive ways."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from intervals.errors import ReadingError
from intervals.forecast.features import Features, features_of
from intervals.forecast.forecasts import LONGEST_DAYS, Forecasts, forecast_moves
from intervals.forecast.histories import FloatArray, Histories

LAST_TWO_READINGS = "last_two_readings"
MEAN_12_MONTHS = "mean_12_months"


@dataclass(frozen=True, slots=True)
class Score:
    """How far forecasts were off, in days; above zero is too late."""

    mae_days: float
    median_ae_days: float
    bias_days: float


@dataclass(frozen=True, slots=True)
class Backtest:
    """What forecasts of one lead would have been worth.

    Attributes:
        lead: how far the meter moves on, in its unit.
        n: forecasts tested: readings with twelve months behind them and their outcome in the history.
        score: of the forecast.
        coverage_80: share of outcomes inside the range; width_80_days: mean width of the range.
        rivals: the same points by the rate of the last two readings and by that of the last twelve months.
        mean_lead_days: how long it really took on average.
        set_aside, cuts: readings that were not used, and meters that went back and count as new from there.
    """

    lead: float
    n: int
    score: Score
    coverage_80: float
    width_80_days: float
    rivals: dict[str, Score]
    mean_lead_days: float
    set_aside: int
    cuts: int


def backtest(histories: Histories, lead: float, features: Features | None = None) -> Backtest:
    """Walk through histories and score the forecast of one lead.

    A reading counts when its meter has twelve months of history behind it and had moved on by `lead` before its last
    reading; the day of that is read off the straight line between the two readings around it. A rate of nothing
    forecasts ten years, for every way alike.

    Args:
        histories: the fleet's readings.
        lead: how far the meter moves on, in its unit, above zero.
        features: what `features_of` gave, to save working it out again.

    Returns:
        The scores.

    Raises:
        ReadingError: a lead that is not above zero, or no reading that counts.
    """
    known = features_of(histories) if features is None else features
    forecasts = forecast_moves(histories, lead, known)
    counts = tested(known, forecasts)
    if not counts.any():
        raise ReadingError(
            f"No reading can be tested: none has twelve months behind it and {lead:g} more on the meter after it. "
            "Give longer histories or a shorter lead."
        )
    came = forecasts.outcome_days[counts]
    low, high = forecasts.low_days[counts], forecasts.high_days[counts]
    naive = {LAST_TWO_READINGS: known.last, MEAN_12_MONTHS: known.year}
    return Backtest(
        lead,
        int(counts.sum()),
        _score(forecasts.days[counts], came),
        float(np.mean((came >= low) & (came <= high))),
        float(np.mean(high - low)),
        {name: _score(days_at(lead, rate[counts]), came) for name, rate in naive.items()},
        float(came.mean()),
        len(histories.set_aside),
        histories.cuts,
    )


def tested(known: Features, forecasts: Forecasts) -> npt.NDArray[np.bool_]:
    """Say which readings count."""
    return np.isfinite(known.year) & (forecasts.outcome_days > 0) & np.isfinite(forecasts.days)


def days_at(lead: float, rate: FloatArray) -> FloatArray:
    """Return the days a lead takes at a rate, ten years at most."""
    with np.errstate(divide="ignore"):
        return np.minimum(np.where(rate > 0, lead / rate, LONGEST_DAYS), LONGEST_DAYS)


def _score(days: FloatArray, came: FloatArray) -> Score:
    off = days - came
    return Score(float(np.abs(off).mean()), float(np.median(np.abs(off))), float(off.mean()))
