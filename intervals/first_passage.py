"""When a running total first reaches a limit: the inverse Gaussian distribution.

A total that grows by ``mu`` a day with the variance ``sigma^2`` a day reaches the remaining run R after a
time with the mean R/mu and the standard deviation sqrt(R*sigma^2/mu^3). (Folks and Chhikara, "The inverse
Gaussian distribution and its statistical application", J. R. Statist. Soc. B 40, 1978, from memory.) In
units of the mean there is a single shape ``phi = sigma^2/(mu*R)``.
"""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import erfcx, ndtr, ndtri  # type: ignore[import-untyped]

FloatArray = npt.NDArray[np.float64]

_ROOT_TWO: Final = float(np.sqrt(2.0))
_ROOT_TWO_PI: Final = float(np.sqrt(2.0 * np.pi))
_MOST_STEPS: Final = 100
_STEP_TOLERANCE: Final = 1e-7
"""Each step squares the error, as a share: after one so small nothing is left to gain."""


def _cumulative(x: FloatArray, phi: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the cumulative probability at x > 0 times the mean, and exp(-a^2/2) for the density.

    The second term of the textbook form is exp(2/phi)*Phi(-b), which overflows for regular use. Since
    2/phi - b^2/2 = -a^2/2 it equals erfcx(b/sqrt 2)/2 * exp(-a^2/2), which never does.
    """
    root = np.sqrt(phi * x)
    a, b = (x - 1.0) / root, (x + 1.0) / root
    bell = np.exp(-0.5 * a * a)
    reached: FloatArray = ndtr(a) + 0.5 * erfcx(b / _ROOT_TWO) * bell
    return reached, bell


def passage_probability(
    elapsed_days: FloatArray, remaining: FloatArray, rate_per_day: FloatArray, sigma_per_sqrt_day: FloatArray
) -> FloatArray:
    """Return the probability that the limit is reached within ``elapsed_days`` of the last reading.

    Args:
        elapsed_days: days of use since the reading; zero or less has the probability 0.
        remaining: run left at the reading, in the meter's unit; zero or less has the probability 1.
        rate_per_day: mean use a day; zero never reaches the limit.
        sigma_per_sqrt_day: scatter; zero makes it a step at the mean. nan in any input gives nan.
    """
    t, left, mu, sigma = np.broadcast_arrays(elapsed_days, remaining, rate_per_day, sigma_per_sqrt_day)
    with np.errstate(divide="ignore", invalid="ignore"):
        x, phi = t * mu / left, sigma * sigma / (mu * left)
        is_open = (left > 0) & (x > 0) & (phi > 0)
        smooth, _ = _cumulative(np.where(is_open, x, 1.0), np.where(is_open, phi, 1.0))
        # A mean of 30 days reached on day 30 is reached, whatever the last digit of the division.
        step = (x >= 1.0 - 1e-12).astype(np.float64)
    out = np.select([left <= 0, mu <= 0, t <= 0, phi == 0], [1.0, 0.0, 0.0, step], smooth)
    is_unknown = np.isnan(left) | ((left > 0) & (np.isnan(t) | np.isnan(mu) | ((mu > 0) & np.isnan(sigma))))
    return np.where(is_unknown, np.nan, np.clip(out, 0.0, 1.0))


def passage_quantile(
    probability: FloatArray, remaining: FloatArray, rate_per_day: FloatArray, sigma_per_sqrt_day: FloatArray
) -> FloatArray:
    """Return the days of use after the reading by which the limit is reached with ``probability``.

    Newton's method from the quantile of the first term alone, each step held within a factor of four.

    Args:
        probability: between 0 and 1, both excluded.
        remaining, rate_per_day, sigma_per_sqrt_day: as for `passage_probability`, broadcast together.

    Returns:
        Days; 0 where nothing remains, infinity where the rate is zero, nan where an input is unknown.
    """
    p, left, mu, sigma = np.broadcast_arrays(probability, remaining, rate_per_day, sigma_per_sqrt_day)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean, phi = left / mu, sigma * sigma / (mu * left)
    is_open = np.isfinite(phi) & (phi > 0) & (left > 0) & (mu > 0)
    share = np.ones_like(mean)
    share[is_open] = _unit_quantile(p[is_open], phi[is_open])
    out = np.select([left <= 0, mu <= 0], [0.0, np.inf], mean * share)
    is_unknown = np.isnan(left) | ((left > 0) & (np.isnan(mu) | ((mu > 0) & np.isnan(sigma))))
    return np.where(is_unknown, np.nan, out)


def _unit_quantile(p: FloatArray, phi: FloatArray) -> FloatArray:
    shift = ndtri(p) * np.sqrt(phi)
    width = np.sqrt(shift * shift + 4.0)
    x: FloatArray = np.where(shift < 0, 2.0 / (width - shift), (width + shift) / 2.0) ** 2
    for _ in range(_MOST_STEPS):
        reached, bell = _cumulative(x, phi)
        with np.errstate(divide="ignore", over="ignore"):
            step = (reached - p) * _ROOT_TWO_PI * np.sqrt(phi * x) * x / bell
        moved = np.clip(x - step, x / 4.0, x * 4.0)
        is_settled = bool(np.all(np.abs(moved - x) <= _STEP_TOLERANCE * x))
        x = moved
        if is_settled:
            break
    return x
