"""Any steps a technician can do, in any order: drains, pours, drives, flow through the cooler line, a machine."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard, check_card, compartments_of, stage_limit, stage_seconds
from intervals.exchange.flow import HOSE_AFTER_COOLER, HOSES, SLICE_L, FluidInUnit
from intervals.exchange.starts import COOLER_LINE, MACHINE, OVERNIGHT

QUICK = "quick drain"
POUR = "pour"
DRIVE = "drive"
CIRCULATE = "circulate"
KINDS = (QUICK, OVERNIGHT, POUR, DRIVE, CIRCULATE, COOLER_LINE, MACHINE)

MOST_STEPS = 24
SHORT_FOR_DRIVE_L = 0.05
"""A vehicle is driven only with everything back in; less than a reading of the jug counts as nothing."""

_DUST_L = 1e-9


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes:
        kind: one of `KINDS`.
        litres: poured (None: what is missing), or flowing along the cooler line or through the machine.
        stage_l: litres per engine run with the hose off, None for the stage limit.
        hose: where the line is opened.
    """

    kind: str
    litres: float | None = None
    stage_l: float | None = None
    hose: str = HOSE_AFTER_COOLER


@dataclass(frozen=True, slots=True)
class StepResult:
    """What a step did: litres out and in, the sump and the fresh share after it, and the seconds of engine run."""

    kind: str
    out_l: float
    in_l: float
    sump_l: float
    lowest_sump_l: float
    fresh_share: float
    seconds: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class SequenceRun:
    """What a sequence does. A refused one has no shares, only its reason and the number of the step.

    `fresh_in_l - fresh_lost_l - fresh_held_l` is zero; `total_volume_l + missing_l` is the total fill.
    """

    is_allowed: bool
    reason: str
    sentence: str
    refused_at: int | None = None
    fresh_share: float | None = None
    lowest_sump_l: float | None = None
    new_fluid_l: float | None = None
    out_l: float | None = None
    missing_l: float | None = None
    fresh_in_l: float = 0.0
    fresh_lost_l: float = 0.0
    fresh_held_l: float = 0.0
    total_volume_l: float = 0.0
    rows: tuple[StepResult, ...] = ()


class _Refused(Exception):
    def __init__(self, reason: str, sentence: str) -> None:
        super().__init__(sentence)
        self.reason = reason


@dataclass(slots=True)
class _Tally:
    """How far one step went."""

    seconds: float | None = None
    lowest_l: float = math.inf


def run_sequence(
    card: UnitCard,
    steps: Sequence[Step],
    *,
    turnover: float | None = None,
    bleed: float | None = None,
    slice_l: float = SLICE_L,
) -> SequenceRun:
    """Work through steps in their order, from a unit full of old fluid.

    A drain takes what it takes from a full unit, less what is missing already; drains without an engine run between
    take the new fluid out again. A drive mixes everything. The engine starts by itself where a step needs it.

    Args:
        card: a unit card with all compartments.
        steps: what is done, at most 24.
        turnover, bleed: r and b; None takes the card's.
        slice_l: step of flow, L.

    Returns:
        The run, a row for each step. An unsafe step refuses the whole, with its number and the reason.

    Raises:
        CardError: contradicting or missing card figures.
        QuantityError: an unknown step, no step at all or too many, or litres that cannot be.
    """
    check_card(card)
    _check(steps)
    unit = FluidInUnit(
        compartments_of(card),
        card.turnover if turnover is None else turnover,
        card.bleed if bleed is None else bleed,
        slice_l,
    )
    rows: list[StepResult] = []
    for number, step in enumerate(steps, start=1):
        out_l, in_l, tally = unit.out_l, unit.fresh_in_l, _Tally()
        try:
            _STEPS[step.kind](card, unit, step, tally)
        except _Refused as refusal:
            return SequenceRun(False, refusal.reason, f"Step {number}, {step.kind}: {refusal}", number)
        rows.append(_row(unit, step, tally, unit.out_l - out_l, unit.fresh_in_l - in_l))
    held_l, missing_l = unit.held_l(), unit.missing_l
    share = held_l / unit.parts.total_l
    short = f" {missing_l:.1f} L are still missing." if missing_l > SHORT_FOR_DRIVE_L else ""
    return SequenceRun(
        True, "ok", f"{unit.fresh_in_l:.1f} L new fluid leave the unit {share:.0%} fresh.{short}", None, share,
        min(row.lowest_sump_l for row in rows), unit.fresh_in_l, unit.out_l, missing_l, unit.fresh_in_l, unit.lost_l,
        held_l, unit.volume_l(), tuple(rows),
    )  # fmt: skip


def _check(steps: Sequence[Step]) -> None:
    if not 1 <= len(steps) <= MOST_STEPS:
        raise QuantityError(f"Give 1 to {MOST_STEPS} steps; there are {len(steps)}.")
    for number, step in enumerate(steps, start=1):
        if step.kind not in KINDS:
            raise QuantityError(f"Step {number}: “{step.kind}” is no step; known are {', '.join(KINDS)}.")
        if step.hose not in HOSES:
            raise QuantityError(f"Step {number}: the hose is opened {' or '.join(HOSES)}, not “{step.hose}”.")
        is_flow = step.kind in (CIRCULATE, COOLER_LINE, MACHINE)
        for litres in (step.litres, step.stage_l):
            if litres is not None and not 0.0 < litres < math.inf:
                raise QuantityError(
                    f"Step {number}, {step.kind}: {litres:g} L cannot be done; give litres above zero."
                )
        if is_flow and step.litres is None:
            raise QuantityError(f"Step {number}, {step.kind}: say how many litres.")


def _row(unit: FluidInUnit, step: Step, tally: _Tally, out_l: float, in_l: float) -> StepResult:
    share = unit.held_l() / unit.parts.total_l
    moved = [f"{litres:.2f} L {word}" for litres, word in ((out_l, "out"), (in_l, "in")) if litres > _DUST_L]
    sentence = f"{step.kind.capitalize()}: {', '.join(moved) or 'nothing leaves'}; {share:.0%} fresh."
    lowest_l = min(tally.lowest_l, unit.sump_l)
    return StepResult(step.kind, out_l, in_l, unit.sump_l, lowest_l, share, tally.seconds, sentence)


def _quick(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    if card.quick_drain_l is None:
        raise CardError("The unit card does not give the quick drain.")
    # What stays below the plug is what a full sump keeps.
    litres = unit.sump_l - (unit.parts.sump_l - card.quick_drain_l)
    _drain(unit, litres)


def _overnight(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    if card.overnight_drain_l is None:
        raise CardError("The unit card does not give the overnight drain.")
    parts = unit.parts
    converter_back_l = max(0.0, parts.converter_drainback_l - (parts.converter_l - unit.converter_l))
    passages_back_l = max(0.0, parts.passages_drainback_l - (parts.passages_l - unit.passages_l))
    stays_l = parts.sump_l + parts.drainback_l - card.overnight_drain_l
    _drain(
        unit, unit.sump_l + converter_back_l + passages_back_l - stays_l, converter_back_l, passages_back_l
    )


def _drain(unit: FluidInUnit, litres: float, *back_l: float) -> None:
    if litres < -_DUST_L or litres + sum(back_l) <= _DUST_L:
        raise _Refused(
            "nothing_to_drain", "nothing more comes out by the plug; pour first, or leave this step out."
        )
    unit.drain(max(0.0, litres), *back_l)


def _pour(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    missing_l = unit.missing_l
    litres = max(0.0, missing_l) if step.litres is None else step.litres
    if litres > missing_l + 1e-6:
        sentence = f"only {max(0.0, missing_l):.2f} L are missing; {litres:g} L would overfill the unit."
        raise _Refused("overfilled", sentence)
    unit.pour(litres)


def _start_engine(unit: FluidInUnit) -> None:
    """Start the engine if the pump keeps its pickup covered, once converter and passages have filled."""
    left_l = unit.sump_l - unit.start_needs_l()
    if left_l < unit.parts.floor_l - _DUST_L:
        more_l = unit.parts.floor_l - left_l
        raise _Refused(
            "start_refused",
            f"do not start: {max(0.0, left_l):.1f} L would be left in the sump, the pump needs "
            f"{unit.parts.floor_l:.1f} L. Pour at least {more_l:.2f} L first.",
        )
    unit.start()


def _drive(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    if unit.missing_l > SHORT_FOR_DRIVE_L:
        sentence = f"{unit.missing_l:.2f} L are missing; pour them and prove the level before it is driven."
        raise _Refused("not_full", sentence)
    _start_engine(unit)
    unit.stir()


def _circulate(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    _start_engine(unit)
    litres = step.litres or 0.0
    unit.flow(litres, is_hose_on=True)
    tally.seconds = stage_seconds(card, litres)


def _line(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    _start_engine(unit)
    limit = stage_limit(card, max(0.0, unit.missing_l))
    stage_l = limit.litres if step.stage_l is None else step.stage_l
    if not 0.0 < stage_l <= limit.litres + _DUST_L:
        left_l = max(0.0, unit.sump_l - stage_l)
        sentence = (
            f"a stage of {stage_l:.2f} L would leave {left_l:.1f} L in the sump, the pump needs "
            f"{unit.parts.floor_l:.1f} L; at most {limit.litres:.2f} L in one stage."
        )
        raise _Refused("stage_too_large", sentence)
    left_l = step.litres or 0.0
    tally.seconds = stage_seconds(card, left_l)
    while left_l > _DUST_L:
        one_l = min(stage_l, left_l)
        unit.flow(one_l, hose=step.hose)
        tally.lowest_l = min(tally.lowest_l, unit.sump_l)
        unit.pour(one_l)
        left_l -= one_l


def _machine(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    if unit.missing_l > SHORT_FOR_DRIVE_L:
        sentence = f"{unit.missing_l:.2f} L are missing; the machine gives back litre for litre and needs a full unit."
        raise _Refused("not_full", sentence)
    _start_engine(unit)
    unit.flow(step.litres or 0.0, is_machine=True, hose=step.hose)
    tally.seconds = stage_seconds(card, step.litres or 0.0)


_STEPS: Mapping[str, Callable[[UnitCard, FluidInUnit, Step, _Tally], None]] = {
    QUICK: _quick,
    OVERNIGHT: _overnight,
    POUR: _pour,
    DRIVE: _drive,
    CIRCULATE: _circulate,
    COOLER_LINE: _line,
    MACHINE: _machine,
}
