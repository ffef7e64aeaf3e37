"""Fresh share for many litres and many mixing guesses at once.

In old shares z = 1 - x one stage is a linear map. It is integrated once and applied stage after stage; what
leaves the hose is what entered the cooler K litres earlier. Between two steps the old litres that entered are read
off a cubic whose slopes, the converter's old share, are known.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import Compartments, UnitCard, compartments_of, stage_limit
from intervals.exchange.starts import COOLER_LINE, MACHINE, START_OVERNIGHT, start_litres

TURNED_IN_A_STEP = 0.14
TURNED_IN_A_MACHINE_STEP = 0.1
"""How much of the fastest part one Runge-Kutta step turns over; keeps shares within 1e-6 of the exact solution."""

STEPS_AT_ONCE = 8
"""Steps of a stage are a multiple of this, so that many units share a number of steps."""

MOST_STEPS = 20_000
MACHINE_STEPS = 64

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Piece:
    """Old litres into the cooler between two steps of flow: at both ends, and the slope there times the step."""

    before_l: FloatArray
    after_l: FloatArray
    slope_before_l: FloatArray
    slope_after_l: FloatArray

    def at(self, way: FloatArray) -> FloatArray:
        """Read off the cubic (Hermite) at a share of the step, 0 to 1."""
        back = 1.0 - way
        ends = (1.0 + 2.0 * way) * back * back * self.before_l + way * way * (3.0 - 2.0 * way) * self.after_l
        slopes = way * back * (back * self.slope_before_l - way * self.slope_after_l)
        return np.asarray(ends + slopes)


def fastest_per_l(
    sump_l: ArrayLike, converter_l: ArrayLike, passages_l: ArrayLike, most_r: ArrayLike, most_b: ArrayLike
) -> FloatArray:
    """Turnovers per litre of cooler flow of the part that turns over fastest; `sump_l` at its lowest."""
    b, r = np.asarray(most_b, dtype=np.float64), np.asarray(most_r, dtype=np.float64)
    small = np.maximum((1.0 + b) / np.asarray(converter_l), r / np.asarray(passages_l))
    return np.asarray(np.maximum(small, (1.0 + b + r) / np.asarray(sump_l)))


def share_curve(
    card: UnitCard,
    method: str,
    litres: ArrayLike,
    turnover: ArrayLike | None = None,
    bleed: ArrayLike | None = None,
    *,
    start: str = START_OVERNIGHT,
    stage_l: float | None = None,
    turned_in_a_step: float | None = None,
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
        turned_in_a_step: integration step, as the share of the fastest part it turns over; None for the usual.

    Returns:
        Array of shape (guesses, litres).

    Raises:
        CardError: a compartment or the start's drain is not on the card, or a part is too small beside the rest.
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
    stage = limit_l if stage_l is None else stage_l
    if not np.all(pushed_l > -1e-9) or not np.all(np.isfinite(pushed_l)):
        raise QuantityError(f"Each value of litres must be at least the refill of {poured_l:g} L.")
    if not is_machine and not 0.0 < stage <= limit_l + 1e-9:
        raise QuantityError(f"A stage of {stage:g} L is outside zero to the limit of {limit_l:g} L.")
    lowest_l = parts.sump_l if is_machine else parts.sump_l - stage
    fastest = float(fastest_per_l(lowest_l, parts.converter_l, parts.passages_l, r.max(), b.max()))
    if is_machine:
        steps = MACHINE_STEPS
        stage = steps * (turned_in_a_step or TURNED_IN_A_MACHINE_STEP) / fastest
    else:
        steps = steps_of(stage * fastest / (turned_in_a_step or TURNED_IN_A_STEP))
    pushed_l = np.maximum(pushed_l, 0.0)
    behind_l = np.maximum(pushed_l - parts.cooler_l, 0.0)
    state = _begin(parts, r.size, start, poured_l)
    within = _stage_maps(parts, r, b, stage, steps, is_machine)
    kept = 1.0 if is_machine else (parts.sump_l - stage) / parts.sump_l
    entered, converter = _old_into_cooler(
        within, state, math.ceil(float(behind_l.max()) / stage - 1e-9), kept
    )
    step_l = stage / steps
    place = behind_l / step_l
    below = np.minimum(place.astype(np.intp), entered.shape[1] - 2)
    slope_l = converter * step_l
    piece = Piece(entered[:, below], entered[:, below + 1], slope_l[:, below], slope_l[:, below + 1])
    old_left = piece.at(place - below) + np.minimum(pushed_l, parts.cooler_l)
    return np.asarray(1.0 - (parts.total_l - poured_l - old_left) / parts.total_l)


def steps_of(turned: float) -> int:
    """Steps for a stage in which the fastest part turns over `turned` steps' worth. Raises CardError: too many."""
    steps = STEPS_AT_ONCE * max(1, math.ceil(turned / STEPS_AT_ONCE - 1e-9))
    if steps > MOST_STEPS:
        raise CardError("The parts on the unit card are too small beside each other to be worked out.")
    return steps


def _begin(parts: Compartments, guesses: int, start: str, poured_l: float) -> FloatArray:
    """Old shares of sump, converter and passages after the first pour, and no old litres in the cooler line yet."""
    is_overnight = start == START_OVERNIGHT
    share = poured_l / (parts.sump_l + (parts.drainback_l if is_overnight else 0.0))
    state = np.zeros((guesses, 4))
    state[:, 0] = 1.0 - share
    state[:, 1] = 1.0 - (parts.converter_drainback_l * share / parts.converter_l if is_overnight else 0.0)
    state[:, 2] = 1.0 - (parts.passages_drainback_l * share / parts.passages_l if is_overnight else 0.0)
    return state


def _old_into_cooler(
    within: FloatArray, state: FloatArray, stages: int, kept: float
) -> tuple[FloatArray, FloatArray]:
    """Old litres that entered the cooler, and the old share entering, at every step of flow: (guesses, steps)."""
    entered, converter = [state[:, 3:]], [state[:, 1:2]]
    for _ in range(max(1, stages)):
        path = (within @ state[:, :, None])[..., 0]
        entered.append(path[:, :, 3].T)
        converter.append(path[:, :, 1].T)
        state = path[-1].copy()
        state[:, 0] *= kept
    return np.concatenate(entered, axis=1), np.concatenate(converter, axis=1)


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
