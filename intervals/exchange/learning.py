"""What finished jobs and laboratory samples teach about a unit: its drain, its stick, its trays, how it mixes.

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
from intervals.exchange.shares import one_number_share
from intervals.exchange.volumes import DEFAULT_DENSITY_KG_M3, volume_at

LEARNED_AT_C = 15.0
"""Learned litres hold at the temperature of the density, so that a weighed job needs no correction."""

NORMAL_MAD = 1.4826
"""MAD x 1.4826 estimates the standard deviation of a normal distribution: 1 / the 75 % point of N(0, 1)."""

ODD_LIMIT = 3.5
"""Standard deviations from the median. Source: Iglewicz and Hoaglin (1993), modified z-score."""

FAR_BELOW = "far below the others; the unit may lose fluid"
FAR_OFF = "too far from the others"

FAR_FROM_BOOK_SHARE = 0.15
LEAST_OBSERVATIONS = 3
_MOST_SCALING = 2.0
_LEAST_CONTRAST = 0.2


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


@dataclass(frozen=True, slots=True)
class Mixing:
    """What a sample says: the fresh share reached and the mixing number that explains it, both 0 to 1."""

    fresh_share: float
    mixing: float


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


def set_aside(
    values: Sequence[float], least_mad: float = 0.02, low_by: float | None = 0.5
) -> tuple[SetAside, ...]:
    """Observations that do not belong to the others.

    Rule: |x - median| > 3.5 x 1.4826 x MAD, or x < median - low_by (a possible leak, told apart).
    Source: Iglewicz and Hoaglin (1993); the low limit is common practice, no source.

    Args:
        values: the observations, in one unit.
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
    median = float(np.median(numbers))
    limit = ODD_LIMIT * NORMAL_MAD * max(float(np.median(np.abs(numbers - median))), least_mad)
    odd = []
    for place, value in enumerate(numbers.tolist()):
        if low_by is not None and value < median - low_by:
            odd.append(SetAside(place, value, FAR_BELOW))
        elif abs(value - median) > limit:
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
    odd = set_aside(observations, least_mad, low_by)
    places = {one.place for one in odd}
    kept = [(x, s) for place, (x, s) in enumerate(zip(observations, sds, strict=True)) if place not in places]
    weight = prior_sd**-2 + sum(s**-2 for _, s in kept)
    mean = (prior * prior_sd**-2 + sum(x * s**-2 for x, s in kept)) / weight
    return Learned(mean, weight**-0.5, len(kept), odd)


def ml_per_mm_from(
    prior_ml_per_mm: float,
    prior_sd_ml_per_mm: float,
    pours: Sequence[tuple[float, float]],
    sd_ml: float = 10.0,
    sd_mm: float = 0.5,
) -> Learned:
    """Sump millilitres per millimetre of stick, from corrections that were measured and read before and after.

    Equation: k = poured/rise; u² = (sd_ml/rise)² + 2 (k sd_mm/rise)², as two readings make a rise.
    Source: law of propagation, JCGM 100 (GUM) 5.1.2.

    Args:
        prior_ml_per_mm, prior_sd_ml_per_mm: the card's figure and its standard deviation, mL/mm.
        pours: (mL, mm) of each correction: poured in and risen, or taken out and fallen, both above zero.
        sd_ml: standard deviation of the measured volume, mL.
        sd_mm: standard deviation of one stick reading, mm.

    Returns:
        The learned figure, mL/mm.

    Raises:
        QuantityError: a pour or a rise that is not above zero, or a spread that is not.
    """
    for poured_ml, rise_mm in pours:
        if not (0.0 < poured_ml < math.inf and 0.0 < rise_mm < math.inf):
            raise QuantityError(
                f"{poured_ml:g} mL and {rise_mm:g} mm give no slope; both must be above zero. Read the stick "
                "again before and after the next correction."
            )
    slopes = [poured_ml / rise_mm for poured_ml, rise_mm in pours]
    sds = [
        math.hypot(sd_ml / rise_mm, math.sqrt(2.0) * slope * sd_mm / rise_mm)
        for slope, (_, rise_mm) in zip(slopes, pours, strict=True)
    ]
    return shrink(prior_ml_per_mm, prior_sd_ml_per_mm, slopes, sds, least_mad=0.5, low_by=None)


def reading_error_share(read_l: float, weighed_l: float) -> float:
    """How far a tray or jug reads off, as a share of what it shows: (read - weighed)/read.

    Args:
        read_l: as the graduation shows it. weighed_l: by the scale; both at one temperature, L.

    Returns:
        The share, below zero where the tray shows too little.

    Raises:
        QuantityError: litres that are not above zero.
    """
    if not (0.0 < read_l < math.inf and 0.0 < weighed_l < math.inf):
        raise QuantityError(f"{read_l:g} L read and {weighed_l:g} L weighed cannot be compared; weigh again.")
    return (read_l - weighed_l) / read_l


def reading_error_from(
    errors_share: Sequence[float],
    sd_share: float = 0.012,
    prior_share: float = 0.0,
    prior_sd_share: float = 0.04,
) -> Learned:
    """Systematic error of one tray or jug, from the jobs where its reading and a weight are both known.

    Args:
        errors_share: `reading_error_share` of each job.
        sd_share: standard deviation of one comparison; common practice, no source.
        prior_share, prior_sd_share: belief before any comparison; 0 ± 4 %, common practice, no source.

    Returns:
        The learned share; corrected litres = read x (1 - share).

    Raises:
        QuantityError: as `shrink`.
    """
    return shrink(prior_share, prior_sd_share, errors_share, sd_share, least_mad=0.005, low_by=None)


def mixing_from_sample(
    e_old: float, e_new: float, e_after: float, drained_l: float, pushed_l: float, total_l: float
) -> Mixing:
    """Fresh share and mixing number from an additive element before, in the new oil, and after the job.

    Equation: f = (E_after - E_old)/(E_new - E_old), mass balance of a conserved element; then the one-number
    share, linear in m between pure push and full stirring, is solved for m.

    Args:
        e_old, e_new, e_after: content of the element, mg/kg, in the old oil, the new oil and a sample taken
            hot after a drive (common practice 15 km, no source).
        drained_l, pushed_l, total_l: litres drained and refilled, pushed through, and in the unit.

    Returns:
        Share and mixing number.

    Raises:
        QuantityError: contents too alike or out of order, a share outside what the litres allow, or litres
            that do not fit together.
    """
    if not all(0.0 <= one < math.inf for one in (e_old, e_new, e_after)):
        raise QuantityError("Contents must be numbers in mg/kg, zero or more; ask the laboratory again.")
    if abs(e_new - e_old) < _LEAST_CONTRAST * max(e_new, e_old) or e_new == e_old:
        raise QuantityError(
            f"Old oil with {e_old:g} mg/kg and new oil with {e_new:g} differ by less than 20 %; take another "
            "element."
        )
    share = (e_after - e_old) / (e_new - e_old)
    if not 0.0 <= share <= 1.0:
        raise QuantityError(
            f"The sample gives a fresh share of {share:.2f}, outside 0 to 1: {e_after:g} mg/kg does not lie "
            f"between {e_old:g} and {e_new:g}. Have reference samples of old and new oil tested."
        )
    most = one_number_share(drained_l, pushed_l, total_l, 0.0)
    least = one_number_share(drained_l, pushed_l, total_l, 1.0)
    if most - least < 1e-9:
        raise QuantityError("Without litres pushed through, a sample says nothing about mixing.")
    if not least - 1e-9 <= share <= most + 1e-9:
        raise QuantityError(
            f"A fresh share of {share:.3f} is outside {least:.3f} (stirred) to {most:.3f} (pure push) for these "
            "litres. Check the litres, and have reference samples of old and new oil tested."
        )
    return Mixing(share, min(1.0, max(0.0, (most - share) / (most - least))))
