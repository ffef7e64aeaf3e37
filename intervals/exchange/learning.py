"""What finished jobs teach: a figure from the book, pulled by what was measured, the odd ones set aside.

A figure from the book is a belief with a spread. Every measurement pulls it, the more the surer it is; what
does not belong to the others is set aside and told, never averaged in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intervals.errors import QuantityError
from intervals.exchange.drain import (
    DEFAULT_KV40,
    DEFAULT_KV100,
    HOT_C,
    QUICK_MIN,
    SHED_C,
    DrainCurve,
    drained_l,
)
from intervals.exchange.volumes import DEFAULT_DENSITY_KG_M3, volume_at

LEARNED_AT_C = 15.0
"""Learned litres hold at the temperature of the density, so that a weighed job needs no correction."""

NORMAL_MAD = 1.4826
"""MAD x 1.4826 estimates the standard deviation of a normal distribution: 1 / the 75 % point of N(0, 1)."""

ODD_LIMIT = 3.5
"""Standard deviations from the median. Source: Iglewicz and Hoaglin (1993), modified z-score."""

ACTION_ZETA, WARNING_ZETA = 3.0, 2.0
"""A deviation this many times its own standard uncertainty calls for action, or for a look. Source: ISO 13528, zeta
score."""

FAR_BELOW = "far below the others; the unit may lose fluid"
FAR_OFF = "too far from the others"

FAR_FROM_BOOK_SHARE = 0.15
LEAST_OBSERVATIONS = 3
_MOST_SCALING = 2.0


@dataclass(frozen=True, slots=True)
class DrainSpread:
    """How sure a book figure and one measured drain are, L; common practice, no source.

    Attributes:
        prior_sd_l: of the book figure. sd_l: of one measured drain.
        least_mad_l: least scatter taken for real, so that equal readings do not throw out their neighbour.
        low_by_l: this far under the median is a possible leak.
        most_sd_l: a learned figure is fit for the card below this.
    """

    prior_sd_l: float
    sd_l: float
    least_mad_l: float
    low_by_l: float
    most_sd_l: float


@dataclass(frozen=True, slots=True)
class Belief:
    """What is held before anything was measured, and how observations of it are judged; all in the figure's own unit.

    Attributes:
        mean, sd: the figure and how sure it is.
        least_mad, low_by: as `set_aside`.
        most_sd: a learned figure is fit for use below this.
    """

    mean: float
    sd: float
    least_mad: float
    low_by: float | None
    most_sd: float


@dataclass(frozen=True, slots=True)
class Observed:
    """One measured value of a figure and its standard deviation, in the figure's own unit."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class SetAside:
    """One observation that is not learned from: its place in the list, its value, and why."""

    place: int
    value: float
    reason: str


@dataclass(frozen=True, slots=True)
class Learned:
    """A learned figure with its standard deviation, from how many observations, and what was set aside."""

    mean: float
    sd: float
    n: int
    set_aside: tuple[SetAside, ...] = ()


def drain_spread(book_l: float) -> DrainSpread:
    """Spreads for a unit of about four litres, in proportion above that.

    Args:
        book_l: the book figure, L, above zero.

    Returns:
        The spreads.

    Raises:
        QuantityError: a book figure that is missing or not above zero.
    """
    if not 0.0 < book_l < math.inf:
        raise QuantityError(f"A book figure of {book_l:g} L is not usable; it must be above zero.")
    scale = max(1.0, book_l / 4.0)
    return DrainSpread(0.4 * scale, 0.12 * scale, 0.02 * scale, 0.5 * scale, 0.15 * scale)


def drain_belief(book_l: float) -> Belief:
    """What a book figure for a drain is worth. Args: book_l: L, above zero. Raises: QuantityError as `drain_spread`."""
    spread = drain_spread(book_l)
    return Belief(book_l, spread.prior_sd_l, spread.least_mad_l, spread.low_by_l, spread.most_sd_l)


def learn(belief: Belief, observed: Sequence[Observed]) -> Learned:
    """Return what is held after the observations; see `shrink`, which raises QuantityError."""
    return shrink(
        belief.mean,
        belief.sd,
        [one.value for one in observed],
        [one.sd for one in observed],
        belief.least_mad,
        belief.low_by,
    )


def normalise_drain(
    out_l: float,
    temp_c: float,
    minutes: float,
    shed_c: float,
    arrival_low_l: float,
    curve: DrainCurve,
    start_c: float = HOT_C,
    density_kg_m3: float = DEFAULT_DENSITY_KG_M3,
    kv40: float = DEFAULT_KV40,
    kv100: float = DEFAULT_KV100,
) -> float:
    """Litres a drain would have given under the reference: 10 min from 70 °C in a shed at 18 °C, level right.

    Equation: x = V15 D(reference)/D(minutes, start, shed) + low, with V15 = V CTL(T)/CTL(15 °C).
    Source: volumes API MPMS 11.1; draining against time as `drained_l`.

    Args:
        out_l: litres in the tray, as read. A weighed drain: its litres at 15 °C, and `temp_c` 15.
        temp_c: temperature of the oil when it was read, °C.
        minutes: time since the plug came out, min.
        shed_c: shed temperature, °C.
        arrival_low_l: litres that were missing on arrival, L at 15 °C; below zero when it was too full.
        curve: the unit's drain curve from its book figures.
        start_c: oil temperature when the plug came out, °C.
        density_kg_m3: density of the oil, kg/m³.
        kv40, kv100: its viscosity at 40 and 100 °C, mm²/s.

    Returns:
        Litres at 15 °C.

    Raises:
        QuantityError: a missing value, one outside the standards, or a drain so much shorter or longer than
            the reference that it would have to be scaled by more than a factor of two.
    """
    if not math.isfinite(arrival_low_l):
        raise QuantityError("Litres missing on arrival must be a number; 0 when the level was right.")
    at_15_l = volume_at(out_l, temp_c, LEARNED_AT_C, density_kg_m3)
    expected_l = drained_l(minutes, start_c, shed_c, curve, kv40, kv100)
    reference_l = drained_l(QUICK_MIN, HOT_C, SHED_C, curve, kv40, kv100)
    if not reference_l / _MOST_SCALING <= expected_l <= reference_l * _MOST_SCALING:
        raise QuantityError(
            f"After {minutes:g} min from {start_c:g} °C about {expected_l:.2f} L are out, after 10 min from hot "
            f"{reference_l:.2f} L: too far apart to judge one by the other. Time the next drain at 10 to 30 min."
        )
    return at_15_l * reference_l / expected_l + arrival_low_l


def zeta_score(value: float, u_value: float, middle: float, u_middle: float) -> float:
    """How far a result is from a reference value, measured in the standard uncertainty of their difference.

    Equation: zeta = (x - m)/sqrt(u(x)² + u(m)²). Source: ISO 13528, zeta score.

    Args:
        value, u_value: the result and its standard uncertainty, one unit.
        middle, u_middle: the reference value and its standard uncertainty, same unit.

    Returns:
        The score, a plain number; infinite where two different values claim to have no uncertainty.

    Raises:
        QuantityError: an uncertainty that is missing or below zero.
    """
    if not (0.0 <= u_value < math.inf and 0.0 <= u_middle < math.inf):
        raise QuantityError("A standard uncertainty must be a number, zero or more.")
    apart, u = value - middle, math.hypot(u_value, u_middle)
    if u == 0.0:
        return math.copysign(math.inf, apart) if apart else 0.0
    return apart / u


def set_aside(
    values: Sequence[float],
    sds: Sequence[float] | None = None,
    least_mad: float = 0.02,
    low_by: float | None = 0.5,
) -> tuple[SetAside, ...]:
    """Observations that do not belong to the others.

    Rule: |x - median| > 3.5 x 1.4826 x MAD, or x < median - low_by (a possible leak, told apart). Where standard
    deviations are stated, they must not explain the difference either: |zeta| > 3, for a possible leak 2. The median
    counts as no surer than its median observation, because readings by one tray err together: so a cloud of poor
    readings that agree cannot push out a weighed one.
    Source: Iglewicz and Hoaglin (1993); ISO 13528 for zeta; the low limit is common practice, no source.

    Args:
        values: the observations, in one unit.
        sds: standard deviation of each, same unit; None: not stated, the scatter alone decides.
        least_mad: taken where the MAD is smaller, as it is 0 when readings are equal, same unit.
        low_by: how far under the median is suspicious, same unit; None: only the first rule.

    Returns:
        The odd ones, in order.

    Raises:
        QuantityError: a value that is not a number.
    """
    if not values:
        return ()
    numbers = np.asarray(values, dtype=np.float64)
    if not np.isfinite(numbers).all():
        raise QuantityError("An observation is not a number; leave out what was not measured.")
    spreads = np.zeros(len(numbers)) if sds is None else np.asarray(sds, dtype=np.float64)
    median, u_median = float(np.median(numbers)), float(np.median(spreads))
    limit = ODD_LIMIT * NORMAL_MAD * max(float(np.median(np.abs(numbers - median))), least_mad)
    odd = []
    for place, (value, spread) in enumerate(zip(numbers.tolist(), spreads.tolist(), strict=True)):
        zeta = zeta_score(value, spread, median, u_median)
        if low_by is not None and value < median - low_by and zeta < -WARNING_ZETA:
            odd.append(SetAside(place, value, FAR_BELOW))
        elif abs(value - median) > limit and abs(zeta) > ACTION_ZETA:
            odd.append(SetAside(place, value, FAR_OFF))
    return tuple(odd)


def shrink(
    prior: float,
    prior_sd: float,
    observations: Sequence[float],
    sd: float | Sequence[float],
    least_mad: float = 0.02,
    low_by: float | None = 0.5,
) -> Learned:
    """Mean of a book figure and observations, each weighted by how sure it is; odd ones are set aside first.

    Equation: 1/s² = 1/s0² + sum 1/si²; mean = s² (x0/s0² + sum xi/si²). Source: normal prior and normal
    observations of known variance, e.g. Bolstad, Introduction to Bayesian Statistics, chapter 11.

    Args:
        prior: the book figure.
        prior_sd: its standard deviation, same unit.
        observations: measured values, same unit; none gives the prior back.
        sd: standard deviation of an observation, one for all or one each.
        least_mad, low_by: as `set_aside`.

    Returns:
        The learned figure.

    Raises:
        QuantityError: a missing number, a spread that is not above zero, or spreads that do not match.
    """
    sds = [float(sd)] * len(observations) if isinstance(sd, int | float) else [float(one) for one in sd]
    if len(sds) != len(observations):
        raise QuantityError(f"{len(observations)} observations need as many spreads, not {len(sds)}.")
    if not math.isfinite(prior) or not all(0.0 < one < math.inf for one in (prior_sd, *sds)):
        raise QuantityError("The book figure must be a number, and every standard deviation above zero.")
    odd = set_aside(observations, sds, least_mad, low_by)
    places = {one.place for one in odd}
    kept = [(x, s) for place, (x, s) in enumerate(zip(observations, sds, strict=True)) if place not in places]
    weight = prior_sd**-2 + sum(s**-2 for _, s in kept)
    mean = (prior * prior_sd**-2 + sum(x * s**-2 for x, s in kept)) / weight
    return Learned(mean, weight**-0.5, len(kept), odd)
