"""Fresh share in closed form: what can be said from the total fill and the litres drained alone.

The fresh share is the part of the total fill that is new after the job, 0 to 1. It is always the share
*inside* the unit, never the share in what runs out of it.
"""

import math

from intervals.errors import QuantityError

MIXING_BEST = 0.6
MIXING_CAUTIOUS = 0.8
LEARNED_CAUTION = 0.0842
"""Added to a mixing number from the card for a cautious share: 0.842 (the 80 % point of N(0, 1)) times the widest
standard deviation a learned number may have, 0.1 (house default)."""


def share_after_drains(
    n: int, drain_l: float, total_l: float, driven_between: bool = True, heel_l: float = 0.0
) -> float:
    """Fresh share after `n` drain-and-refills of the same size.

    Equation, driven between: f = 1 - (1 - D/V)^n (mass balance of a stirred tank). Not driven: the drain
    takes out what was just poured, f = (D/V)(1 + h + ... + h^(n-1)) with h = heel / (heel + D).

    Args:
        n: number of drains, 0 or more.
        drain_l: litres per drain, D.
        total_l: total fill, V, L.
        driven_between: False when the engine does not run between the drains.
        heel_l: litres in the sump that never leave by the plug; used only when not driven.

    Returns:
        Fresh share, 0 to 1.

    Raises:
        QuantityError: a drain larger than the total, or a missing or negative figure.
    """
    _check(drain_l, 0.0, total_l)
    if n < 0 or not 0.0 <= heel_l <= total_l - drain_l:
        raise QuantityError(
            "The number of drains and the heel must be zero or more, and heel plus drain fit the fill."
        )
    if driven_between:
        return 1.0 - (1.0 - drain_l / total_l) ** n
    kept = heel_l / (heel_l + drain_l) if drain_l else 0.0
    return drain_l / total_l * sum(kept**i for i in range(n))


def plug_share(drain_l: float, pushed_l: float, total_l: float) -> float:
    """Upper bound: the new fluid pushes the old out without mixing, f = min(1, (D + v)/V).

    Args: drain_l, pushed_l: litres drained and then pushed through. total_l: total fill, L.
    Returns: fresh share. Raises: QuantityError as `share_after_drains`.
    """
    _check(drain_l, pushed_l, total_l)
    return min(1.0, (drain_l + pushed_l) / total_l)


def stirred_share(drain_l: float, pushed_l: float, total_l: float, stage_l: float | None = None) -> float:
    """Lower bound: everything is stirred at once.

    Equation: steady f = 1 - (1 - D/V) exp(-v/V); in stages of s, f <- f + (1 - f) s/V for each.
    Source: Levenspiel, Chemical Reaction Engineering, stirred tank.

    Args:
        drain_l: litres drained and refilled first, D.
        pushed_l: further litres pushed through, v.
        total_l: total fill, V.
        stage_l: litres of each stage, or None for a steady flow.

    Returns:
        Fresh share.

    Raises:
        QuantityError: as `share_after_drains`, or a stage that is not above zero and within the total fill.
    """
    _check(drain_l, pushed_l, total_l)
    old = 1.0 - drain_l / total_l
    if stage_l is None:
        return 1.0 - old * math.exp(-pushed_l / total_l)
    if not 0.0 < stage_l <= total_l:
        raise QuantityError(
            f"A stage of {stage_l:g} L must be above zero and not above the fill of {total_l:g} L."
        )
    full_stages = int(pushed_l / stage_l + 1e-9)
    rest_l = max(0.0, pushed_l - full_stages * stage_l)
    return float(1.0 - old * (1.0 - stage_l / total_l) ** full_stages * (1.0 - rest_l / total_l))


def one_number_share(drain_l: float, pushed_l: float, total_l: float, mixing: float = MIXING_BEST) -> float:
    """Fresh share between pure push and full stirring, from one mixing number.

    Equation: R = V - D; f = 1 - (R/V)[(1 - m) max(0, 1 - v/R) + m exp(-v/V)].
    Source: mix of the two bounds; m 0.6 best guess, 0.8 cautious (common practice, no source).

    Args:
        drain_l: litres drained and refilled first, D.
        pushed_l: further litres pushed through, v.
        total_l: total fill, V.
        mixing: m, 0 (pure push) to 1 (stirred).

    Returns:
        Fresh share.

    Raises:
        QuantityError: as `share_after_drains`, or a mixing number outside 0 to 1.
    """
    _check(drain_l, pushed_l, total_l)
    if not 0.0 <= mixing <= 1.0:
        raise QuantityError(f"A mixing number of {mixing:g} is outside 0 (pure push) to 1 (stirred).")
    left_l = total_l - drain_l
    if left_l == 0.0:
        return 1.0
    old = (1.0 - mixing) * max(0.0, 1.0 - pushed_l / left_l) + mixing * math.exp(-pushed_l / total_l)
    return 1.0 - left_l / total_l * old


def mixing_numbers(known: float | None) -> tuple[float, float]:
    """Mixing number to count on and a cautious one.

    Args: known: from the unit card, 0 to 1, or None.
    Returns: both; without a card figure the best guess and the cautious one of common practice.
    """
    if known is None:
        return MIXING_BEST, MIXING_CAUTIOUS
    return known, min(1.0, known + LEARNED_CAUTION)


def _check(drain_l: float, pushed_l: float, total_l: float) -> None:
    if not 0.0 < total_l < math.inf:
        raise QuantityError(f"A total fill of {total_l:g} L is not usable; it must be above zero.")
    if not 0.0 <= drain_l <= total_l:
        raise QuantityError(f"A drain of {drain_l:g} L is outside zero to the total fill of {total_l:g} L.")
    if not 0.0 <= pushed_l < math.inf:
        raise QuantityError(f"{pushed_l:g} L pushed through is not usable; give litres, zero or more.")
