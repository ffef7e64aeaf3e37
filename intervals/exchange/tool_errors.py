"""What measured corrections and weighings say about the tools of measuring: the stick, the trays, the jugs."""

import math

from intervals.errors import QuantityError
from intervals.exchange.learning import Belief, Observed

STICK_SD_MM = 0.5
"""One reading of the stick, median of three wipes, against the one just before it. Common practice, no source."""

MOVED_SD_ML = 10.0
"""Millilitres poured or taken out by a small jug or syringe. Common practice, no source."""

COMPARISON_SD_SHARE = 0.012
"""One comparison of a tray or jug with a weight, the level on arrival included. Common practice, no source."""

READING_ERROR = Belief(mean=0.0, sd=0.04, least_mad=0.005, low_by=None, most_sd=0.01)
"""How far a tray or jug may read off before anybody compared it: 0 ± 4 %. Common practice, no source."""

_STICK_SPREAD_SHARE, _STICK_MOST_SHARE = 0.2, 0.05


def stick_belief(book_ml_per_mm: float) -> Belief:
    """What a card's mL per mm is worth before anybody measured it: ± 20 %. Common practice, no source.

    Args:
        book_ml_per_mm: mL/mm, above zero.

    Returns:
        The belief, mL/mm.

    Raises:
        QuantityError: a figure that is missing or not above zero.
    """
    if not 0.0 < book_ml_per_mm < math.inf:
        raise QuantityError(
            f"A card figure of {book_ml_per_mm:g} mL/mm is not usable; it must be above zero."
        )
    return Belief(
        book_ml_per_mm, _STICK_SPREAD_SHARE * book_ml_per_mm, 0.5, None, _STICK_MOST_SHARE * book_ml_per_mm
    )


def stick_slope(
    moved_ml: float, from_mm: float, to_mm: float, sd_ml: float = MOVED_SD_ML, sd_mm: float = STICK_SD_MM
) -> Observed:
    """Sump millilitres per millimetre of stick, from one measured correction read before and after.

    Equation: k = V/h; u² = (sd_ml/h)² + 2 (k sd_mm/h)², as two readings make a difference.
    Source: law of propagation, JCGM 100 (GUM) 5.1.2.

    Args:
        moved_ml: poured in, above zero, or taken out, below zero, mL.
        from_mm, to_mm: stick just before and just after, at one temperature, mm.
        sd_ml: standard deviation of the measured volume, mL.
        sd_mm: standard deviation of one stick reading, mm.

    Returns:
        The slope and its standard deviation, mL/mm.

    Raises:
        QuantityError: nothing moved, the stick moved the other way, or a spread that is not above zero.
    """
    height_mm = to_mm - from_mm
    if not (math.isfinite(moved_ml) and math.isfinite(height_mm)) or moved_ml * height_mm <= 0.0:
        raise QuantityError(
            f"{moved_ml:g} mL and a stick from {from_mm:g} to {to_mm:g} mm do not belong together: what is poured in "
            "raises the level, what is taken out lowers it. Read the stick again before and after the next correction."
        )
    if not (0.0 < sd_ml < math.inf and 0.0 < sd_mm < math.inf):
        raise QuantityError("The spread of the volume and of a stick reading must be above zero.")
    slope = moved_ml / height_mm
    return Observed(
        slope, math.hypot(sd_ml / abs(height_mm), math.sqrt(2.0) * slope * sd_mm / abs(height_mm))
    )


def reading_error(read_l: float, weighed_l: float, sd_share: float = COMPARISON_SD_SHARE) -> Observed:
    """How far a tray or jug reads off, as a share of what it shows: (read - weighed)/read.

    Args:
        read_l: as the graduation shows it. weighed_l: by the scale; both at one temperature, L.
        sd_share: standard deviation of the comparison, as a share.

    Returns:
        The share, below zero where the tool shows too little; true litres = read x (1 - share).

    Raises:
        QuantityError: litres that are not above zero.
    """
    if not (0.0 < read_l < math.inf and 0.0 < weighed_l < math.inf):
        raise QuantityError(f"{read_l:g} L read and {weighed_l:g} L weighed cannot be compared; weigh again.")
    return Observed((read_l - weighed_l) / read_l, sd_share)
