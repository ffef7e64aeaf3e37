"""Fresh share for many litres and many mixing guesses at once.

In old shares z = 1 - x one stage is a linear map. It is integrated once and applied stage after stage; what
leaves the hose is what entered the cooler K litres earlier.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intervals.errors import QuantityError
from intervals.exchange.card import Compartments, UnitCard, compartments_of, stage_limit
from intervals.exchange.starts import COOLER_LINE, MACHINE, START_OVERNIGHT, start_litres

CURVE_STEP_L = 0.05

FloatArray = NDArray[np.float64]


def share_curve(
    card: UnitCard,
    method: str,
    litres: ArrayLike,
    turnover: ArrayLike | None = None,
    bleed: ArrayLike | None = None,
    *,
    start: str = START_OVERNIGHT,
    stage_l: float | None = None,
    step_l: float = CURVE_STEP_L,
) -> FloatArray:
    """Fresh share for many litres and many mixing guesses at once.

    In old shares z = 1 - x a stage is linear, so it is integrated once (fourth-order Runge-Kutta) and then
    applied stage after stage. What leaves the hose is what entered the cooler K litres earlier.

    Args:
        card: a unit card with all compartments.
        method: 'cooler-line exchange' or 'machine exchange'.
        litres: all new fluid, each value at least the refill of the start, L.
        turnover, bleed: arrays of equal length; None takes the card's.
        start: as `simulate`.
        stage_l: litres per stage, None for the stage limit; a machine feeds without stages.
        step_l: integration step, L.

    Returns:
        Array of shape (guesses, litres).

    Raises:
        CardError: a compartment or the start's drain is not on the card.
        QuantityError: another method, unusable litres, or a stage above the limit.
    """
    if method not in (COOLER_LINE, MACHINE):
        raise QuantityError(
            f"'{method}' pushes nothing through; a curve is drawn for {COOLER_LINE} or {MACHINE}."
        )
    parts = compartments_of(card)
    poured_l = start_litres(card, start)
    pushed_l = np.atleast_1d(np.asarray(litres, dtype=np.float64)) - poured_l
    r = np.atleast_1d(np.asarray(card.turnover if turnover is None else turnover, dtype=np.float64))
    b = np.atleast_1d(np.asarray(card.bleed if bleed is None else bleed, dtype=np.float64))
    r, b = np.broadcast_arrays(r, b)
    is_machine = method == MACHINE
    limit_l = stage_limit(card).litres
    stage = 1.0 if is_machine else limit_l if stage_l is None else stage_l
    if not np.all(pushed_l > -1e-9) or not np.all(np.isfinite(pushed_l)):
        raise QuantityError(f"Each value of litres must be at least the refill of {poured_l:g} L.")
    if stage <= 0.0 or (not is_machine and stage > limit_l + 1e-9):
        raise QuantityError(f"A stage of {stage:g} L is outside zero to the limit of {limit_l:g} L.")
    pushed_l = np.maximum(pushed_l, 0.0)
    behind_l = np.maximum(pushed_l - parts.cooler_l, 0.0)
    entered = _old_into_cooler(parts, r, b, start, poured_l, float(behind_l.max()), stage, step_l, is_machine)
    steps = max(1, math.ceil(stage / step_l - 1e-9))
    place = behind_l / (stage / steps)
    below = np.minimum(place.astype(np.intp), entered.shape[1] - 2)
    old_left = entered[:, below] + (place - below) * (entered[:, below + 1] - entered[:, below])
    old_left += np.minimum(pushed_l, parts.cooler_l)
    return np.asarray(1.0 - (parts.total_l - poured_l - old_left) / parts.total_l)


def _old_into_cooler(
    parts: Compartments,
    r: FloatArray,
    b: FloatArray,
    start: str,
    poured_l: float,
    reach_l: float,
    stage_l: float,
    step_l: float,
    is_machine: bool,
) -> FloatArray:
    """Old litres that entered the cooler, at every step of flow up to `reach_l`: (guesses, steps)."""
    steps = max(1, math.ceil(stage_l / step_l - 1e-9))
    within = _stage_maps(parts, r, b, stage_l, steps, is_machine)
    share = poured_l / (parts.sump_l + (parts.drainback_l if start == START_OVERNIGHT else 0.0))
    back = (
        (parts.converter_drainback_l, parts.passages_drainback_l) if start == START_OVERNIGHT else (0.0, 0.0)
    )
    state = np.zeros((r.size, 4))
    state[:, 0] = 1.0 - share
    state[:, 1] = 1.0 - back[0] * share / parts.converter_l
    state[:, 2] = 1.0 - back[1] * share / parts.passages_l
    pieces = [state[:, 3:]]
    for _ in range(max(1, math.ceil(reach_l / stage_l - 1e-9))):
        path = (within @ state[:, :, None])[..., 0]
        pieces.append(path[:, :, 3].T)
        state = path[-1].copy()
        if not is_machine:
            state[:, 0] *= (parts.sump_l - stage_l) / parts.sump_l
    return np.concatenate(pieces, axis=1)


def _stage_maps(
    parts: Compartments, r: FloatArray, b: FloatArray, stage_l: float, steps: int, is_machine: bool
) -> FloatArray:
    """Maps of (z_S, z_C, z_G, old litres into the cooler) from a stage's start: (steps, guesses, 4, 4)."""
    h = stage_l / steps
    out_l = np.arange(2 * steps + 1)[:, None] * (h / 2.0)
    sump_l = np.full_like(out_l, parts.sump_l) if is_machine else parts.sump_l - out_l
    rates = np.zeros((2 * steps + 1, r.size, 4, 4))
    fed = 1.0 if is_machine else 0.0
    rates[:, :, 0, 0] = -(fed + b + r) / sump_l
    rates[:, :, 0, 1] = b / sump_l
    rates[:, :, 0, 2] = r / sump_l
    rates[:, :, 1, 0] = (1.0 + b) / parts.converter_l
    rates[:, :, 1, 1] = -(1.0 + b) / parts.converter_l
    rates[:, :, 2, 0] = r / parts.passages_l
    rates[:, :, 2, 2] = -r / parts.passages_l
    rates[:, :, 3, 1] = 1.0
    one = np.eye(4)
    begin, middle, end = rates[:-1:2], rates[1::2], rates[2::2]
    k2 = middle @ (one + h / 2.0 * begin)
    k3 = middle @ (one + h / 2.0 * k2)
    k4 = end @ (one + h * k3)
    step = one + h / 6.0 * (begin + 2.0 * k2 + 2.0 * k3 + k4)
    maps = np.empty_like(step)
    maps[0] = step[0]
    for i in range(1, steps):
        maps[i] = step[i] @ maps[i - 1]
    return maps
