"""Coolant strength: how much concentrate and water bring a partly drained cooling system to a strength."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.propagation import COVERAGE, Input, Spread, Uncertainty, propagate, spread_of

USUAL_LOW_SHARE, USUAL_HIGH_SHARE = 0.40, 0.70
"""Range in which ethylene-glycol concentrate is used, by volume. Source: ASTM D3306."""

STRENGTH_LIMIT_SHARE = 0.02
"""A refractometer reads glycol by volume within two parts in a hundred. Common practice, no source."""

DRAIN_MORE = "drain more"

CAUTIONS = (
    "Never open a hot cooling system: it boils over when the pressure goes; wait until it is cold to the hand.",
    "Glycol is poisonous and tastes sweet: keep it from children and animals, wipe up, collect what drains.",
    "Use the coolant type, the water and the strength the maker names; types must not be mixed unasked.",
)

_ROUNDING_L = 1e-9


@dataclass(frozen=True, slots=True)
class CoolantMix:
    """What to pour after a drain; litres are None when no mix reaches the strength.

    Attributes:
        concentrate_l, water_l: litres to pour, together what was drained.
        strength_share: glycol share by volume the system ends with, 0 to 1; when the target cannot be
            reached the nearest strength the drain allows.
        least_drain_l: least litres that must be drained for the target.
        reason: None, or 'drain more'.
        is_unusual: the target lies outside the range concentrate is used in.
        sentence: the same in words.
    """

    concentrate_l: float | None
    water_l: float | None
    strength_share: float
    least_drain_l: float
    reason: str | None
    is_unusual: bool
    sentence: str


def strength_after(total_l: float, drained_l: float, old_share: float, poured_share: float) -> float:
    """Strength after draining and filling up with one mix.

    Equation: c = ((V - D) c_old + D c_poured) / V. Source: balance of glycol by volume, the small shrinkage
    on mixing left out.

    Args:
        total_l, drained_l: system volume and litres drained, L.
        old_share, poured_share: glycol share by volume before, and of what is poured, 0 to 1.

    Returns:
        Glycol share by volume.

    Raises:
        QuantityError: figures missing or outside their range.
    """
    _check(total_l, drained_l)
    _check_share("The strength found in the system", old_share)
    _check_share("The strength of what is poured", poured_share)
    return ((total_l - drained_l) * old_share + drained_l * poured_share) / total_l


def strength_mix(
    total_l: float, drained_l: float, old_share: float, target_share: float, concentrate_share: float = 1.0
) -> CoolantMix:
    """Litres of concentrate and water that bring a partly drained system to a strength.

    Equation: x = (V c_target - (V - D) c_old) / c_concentrate of concentrate, the rest of D water; x must lie
    between 0 and D. Source: balance of glycol by volume.

    Args:
        total_l, drained_l: system volume V and litres drained D, L.
        old_share, target_share: glycol share by volume found and wanted, 0 to 1.
        concentrate_share: glycol share of the concentrate, above the target; 1 for undiluted.

    Returns:
        The mix, or the reason why no mix reaches the target and how much must be drained at least.

    Raises:
        QuantityError: figures missing or outside their range, or a concentrate weaker than the target.
    """
    _check(total_l, drained_l)
    _check_share("The strength found in the system", old_share)
    _check_share("The strength wanted", target_share)
    _check_share("The strength of the concentrate", concentrate_share)
    if target_share > concentrate_share:
        raise QuantityError(
            f"A concentrate of {100 * concentrate_share:g} % cannot bring the system to {100 * target_share:g} %."
        )
    is_unusual = not USUAL_LOW_SHARE <= target_share <= USUAL_HIGH_SHARE
    least_l = _least_drain_l(total_l, old_share, target_share, concentrate_share)
    if drained_l < least_l - _ROUNDING_L:
        nearest = strength_after(
            total_l, drained_l, old_share, concentrate_share if target_share > old_share else 0.0
        )
        sentence = (
            f"Drain more: {least_l:.2f} L must come out to reach {100 * target_share:.0f} %; with the "
            f"{drained_l:.2f} L drained the system would end at {100 * nearest:.0f} %."
        )
        return CoolantMix(None, None, nearest, least_l, DRAIN_MORE, is_unusual, sentence)
    glycol_l = total_l * target_share - (total_l - drained_l) * old_share
    concentrate_l = min(drained_l, max(0.0, glycol_l / concentrate_share))
    water_l = drained_l - concentrate_l
    sentence = f"Pour {concentrate_l:.2f} L of concentrate and {water_l:.2f} L of water."
    if is_unusual:
        sentence += (
            f" {100 * target_share:.0f} % is outside the {100 * USUAL_LOW_SHARE:.0f} to "
            f"{100 * USUAL_HIGH_SHARE:.0f} % concentrate is used at; check the maker's data."
        )
    return CoolantMix(concentrate_l, water_l, target_share, least_l, None, is_unusual, sentence)


def concentrate_spread(
    total_l: Input,
    drained_l: Input,
    old_share: float,
    target_share: float,
    concentrate_share: float = 1.0,
    coverage: float = COVERAGE,
) -> Spread:
    """Litres of concentrate of `strength_mix` with their spread, from system volume, drain and strength found.

    Equation: law of propagation over x = (V c_target - (V - D) c_old) / c_concentrate. Source: ISO/IEC Guide 98-3.

    Args:
        total_l, drained_l: V and D with their uncertainties, L; their names are free.
        old_share, target_share, concentrate_share: as `strength_mix`; the strength found is read within 2 %.
        coverage: probability between `low` and `high`.

    Returns:
        Litres of concentrate; the range may reach below zero or above the drain, where another drain is needed.

    Raises:
        QuantityError: as `propagate`.
    """
    found = Input("strength found", old_share, Uncertainty(STRENGTH_LIMIT_SHARE), 0.0, 1.0)

    def concentrate(figures: Mapping[str, float]) -> float:
        v, d, c_old = (figures[item.name] for item in (total_l, drained_l, found))
        return (v * target_share - (v - d) * c_old) / concentrate_share

    return spread_of(propagate(concentrate, (total_l, drained_l, found)), coverage)


def _least_drain_l(total_l: float, old: float, target: float, concentrate: float) -> float:
    if target == old:
        return 0.0
    if target > old:
        return total_l * (target - old) / (concentrate - old)
    return total_l * (1.0 - target / old)


def _check(total_l: float, drained_l: float) -> None:
    if not 0.0 < total_l < math.inf:
        raise QuantityError(f"A system volume of {total_l:g} L is not usable; it must be above zero.")
    if not 0.0 <= drained_l <= total_l:
        raise QuantityError(
            f"{drained_l:g} L drained is outside zero to the system volume of {total_l:g} L; measure again."
        )


def _check_share(what: str, share: float) -> None:
    if not 0.0 <= share <= 1.0:
        raise QuantityError(f"{what} is {share:g}; give a share by volume, 0 to 1 (50 % is 0.5).")
