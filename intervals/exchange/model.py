"""The exchange model: how fresh a gearbox is after a method, from its compartments.

`simulate` steps one run in small slices and keeps the whole tally; `share_curve` answers the same question for many
litres and many mixing guesses at once; `run_sequence` takes any steps in any order.
"""

import math
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.card import (
    Compartments,
    UnitCard,
    check_card,
    compartments_of,
    stage_limit,
    stage_seconds,
    start_check,
)
from intervals.exchange.curve import share_curve
from intervals.exchange.flow import HOSE_AFTER_COOLER, FluidInUnit
from intervals.exchange.starts import (
    COOLER_LINE,
    DRAIN,
    MACHINE,
    OVERNIGHT,
    START_OVERNIGHT,
    START_QUICK,
    start_litres,
)

__all__ = [
    "Run",
    "Stage",
    "UnitCard",
    "check_card",
    "cut_stages",
    "share_curve",
    "simulate",
    "stage_limit",
    "start_check",
]


@dataclass(frozen=True, slots=True)
class Stage:
    """One engine run with the hose off: litres, seconds, the sump's lowest volume, the tally after the pour."""

    litres: float
    seconds: float | None
    sump_after_l: float
    out_total_l: float
    in_total_l: float


@dataclass(frozen=True, slots=True)
class Run:
    """What a method does to a unit. A refused run has no fresh share, only its reason.

    `fresh_in_l - fresh_lost_l - fresh_held_l` is zero: no new fluid is unaccounted for.
    """

    method: str
    start: str
    is_allowed: bool
    reason: str
    sentence: str
    fresh_share: float | None
    lowest_sump_l: float | None
    stages: tuple[Stage, ...] = ()
    fresh_in_l: float = 0.0
    fresh_lost_l: float = 0.0
    fresh_held_l: float = 0.0
    total_volume_l: float = 0.0


def cut_stages(pushed_l: float, stage_l: float, least_l: float = 0.0) -> tuple[float, ...]:
    """Full stages and a remainder, e.g. 4.5 L at 2.0 L -> (2.0, 2.0, 0.5).

    Args:
        pushed_l: litres to push through.
        stage_l: litres of a full stage, above zero.
        least_l: a remainder below this is dropped.

    Returns:
        Litres of each stage.

    Raises:
        QuantityError: no stage of more than zero litres, or missing litres.
    """
    if not 0.0 < stage_l < math.inf or not 0.0 <= pushed_l < math.inf:
        raise QuantityError("A stage must be above zero litres and the litres to push zero or more.")
    full = int(pushed_l / stage_l + 1e-9)
    rest_l = pushed_l - full * stage_l
    return (stage_l,) * full + ((rest_l,) if rest_l > max(least_l - 1e-9, 1e-9) else ())


def simulate(
    card: UnitCard,
    method: str,
    new_fluid_l: float | None = None,
    stage_l: float | None = None,
    *,
    start: str = START_OVERNIGHT,
    turnover: float | None = None,
    bleed: float | None = None,
    slice_l: float | None = None,
    circulated_first_l: float = 0.0,
    hose: str = HOSE_AFTER_COOLER,
) -> Run:
    """Step one method through the unit's compartments.

    Equation: see `FluidInUnit.flow`.

    Args:
        card: a unit card with all compartments.
        method: 'drain-and-refill', 'overnight drain', 'cooler-line exchange' or 'machine exchange'.
        new_fluid_l: all new fluid, the refill of the first drain included, L; for the two drains it may be
            left out.
        stage_l: litres per engine run with the hose off; None takes the stage limit.
        start: the drain before an exchange: 'none', 'quick drain' or 'overnight drain'.
        turnover, bleed: r and b; None takes the card's.
        slice_l: most litres of one step of flow; None takes what keeps shares within 1e-6.
        circulated_first_l: cooler flow with the hose still on before the first stage, L.
        hose: where the line is opened.

    Returns:
        The run. An unsafe one is refused with a reason and no fresh share.

    Raises:
        CardError: contradicting or missing card figures.
        QuantityError: an unknown method or unusable litres.
    """
    check_card(card)
    parts = compartments_of(card)
    start = {DRAIN: START_QUICK, OVERNIGHT: START_OVERNIGHT}.get(method, start)
    is_drain_only = method in (DRAIN, OVERNIGHT)
    if not is_drain_only and method not in (COOLER_LINE, MACHINE):
        raise QuantityError(f"Unknown method '{method}' for a simulation.")
    poured_l = start_litres(card, start)
    total_new_l = poured_l if new_fluid_l is None and is_drain_only else new_fluid_l
    if total_new_l is None or not 0.0 <= total_new_l < math.inf or (slice_l is not None and slice_l <= 0.0):
        raise QuantityError("Give the litres of new fluid, zero or more, and a slice above zero.")
    pushed_l = total_new_l - poured_l
    if is_drain_only and pushed_l > 1e-9:
        raise QuantityError(f"After a {start} only the {poured_l:g} L that came out go back in.")
    chosen_l = stage_limit(card).litres if stage_l is None else stage_l
    refusal = _short_refill(card, parts, method, start, total_new_l, poured_l)
    if refusal is None and method == COOLER_LINE and pushed_l > 1e-9:
        refusal = _unsafe_stage(card, parts, start, chosen_l)
    if refusal is not None:
        return refusal
    unit = FluidInUnit(
        parts,
        card.turnover if turnover is None else turnover,
        card.bleed if bleed is None else bleed,
        slice_l,
    )
    _drain_and_refill(unit, start, poured_l)
    if circulated_first_l > 0.0:
        unit.flow(circulated_first_l, is_hose_on=True)
    stages, lowest_l = _exchange(card, unit, method, pushed_l, chosen_l, hose, poured_l)
    held_l = unit.held_l()
    share = held_l / parts.total_l
    return Run(
        method, start, True, "ok", f"{total_new_l:.1f} L new fluid leave the unit {share:.0%} fresh.", share,
        lowest_l, stages, unit.fresh_in_l, unit.lost_l, held_l, unit.volume_l(),
    )  # fmt: skip


def _drain_and_refill(unit: FluidInUnit, start: str, litres: float) -> None:
    """The drain before the exchange, everything that came out poured back, and the engine started."""
    if start == START_OVERNIGHT:
        unit.drain(litres, unit.parts.converter_drainback_l, unit.parts.passages_drainback_l)
    elif litres:
        unit.drain(litres)
    unit.pour(litres)
    unit.start()


def _exchange(
    card: UnitCard,
    unit: FluidInUnit,
    method: str,
    pushed_l: float,
    stage_l: float,
    hose: str,
    tally_l: float,
) -> tuple[tuple[Stage, ...], float]:
    """Run the stages (or the machine in one go) and keep the tally."""
    lowest_l = unit.sump_l
    if pushed_l <= 1e-9:
        return (), lowest_l
    is_machine = method == MACHINE
    stages = []
    for litres in (pushed_l,) if is_machine else cut_stages(pushed_l, stage_l):
        unit.flow(litres, is_machine=is_machine, hose=hose)
        bottom_l = unit.sump_l
        lowest_l = min(lowest_l, bottom_l)
        if not is_machine:
            unit.pour(litres)
        tally_l += litres
        stages.append(Stage(litres, stage_seconds(card, litres), bottom_l, tally_l, tally_l))
    return tuple(stages), lowest_l


def _short_refill(
    card: UnitCard, parts: Compartments, method: str, start: str, new_l: float, poured_l: float
) -> Run | None:
    if new_l >= poured_l - 1e-9:
        return None
    in_sump_l = parts.sump_l - (poured_l - new_l)
    if start == START_OVERNIGHT:
        check = start_check(card, new_l)
        if not check.ok:
            return Run(method, start, False, "start_refused", check.sentence, None, check.in_sump_l)
    sentence = f"Refused: the {poured_l:.1f} L of the drain go back in first, {new_l:.1f} L are not enough."
    return Run(method, start, False, "refill_short", sentence, None, in_sump_l)


def _unsafe_stage(card: UnitCard, parts: Compartments, start: str, stage_l: float) -> Run | None:
    limit_l = stage_limit(card).litres
    if 0.0 < stage_l <= limit_l + 1e-9:
        return None
    left_l = max(0.0, parts.sump_l - stage_l)
    sentence = (
        f"Refused: a stage of {stage_l:.2f} L would leave {left_l:.1f} L in the sump, the pump needs "
        f"{parts.floor_l:.1f} L; at most {limit_l:.2f} L in one stage."
    )
    return Run(COOLER_LINE, start, False, "stage_too_large", sentence, None, left_l)
