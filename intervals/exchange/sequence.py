"""Any steps a technician can do, in any order: drains, pours, drives, flow through the cooler line, a machine."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.card import (
    LEAST_PART_SHARE,
    UnitCard,
    check_card,
    compartments_of,
    stage_limit,
    stage_seconds,
)
from intervals.exchange.done import BY_DRAINED, BY_ONE_NUMBER, BY_PARTS
from intervals.exchange.flow import HOSE_AFTER_COOLER, HOSES, FluidInUnit
from intervals.exchange.shares import MIXING_BEST
from intervals.exchange.starts import COOLER_LINE, MACHINE, OVERNIGHT
from intervals.exchange.whole_unit import CannotSay, WholeUnit

QUICK = "quick drain"
POUR = "pour"
DRIVE = "drive"
CIRCULATE = "circulate"
KINDS = (QUICK, OVERNIGHT, POUR, DRIVE, CIRCULATE, COOLER_LINE, MACHINE)

MOST_STEPS = 24
SHORT_FOR_DRIVE_L = 0.05
"""A vehicle is driven only with everything back in; less than a reading of the jug counts as nothing."""

MOST_FLOW_FILLS = 20.0
"""House default: after so many fills of flow in all nothing changes any more."""

_DUST_L = 1e-9
_ALL_BACK = "do not start: all that drained goes back in first, the unit card does not give the parts."
_MACHINE_WANTS = "the machine gives back litre for litre and needs a full unit."

_Unit = FluidInUnit | WholeUnit


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
    """What a step did: litres out and in, the sump and the fresh share after it, and the seconds of engine run.

    The sump and its lowest are None where the card does not give the parts.
    """

    kind: str
    out_l: float
    in_l: float
    sump_l: float | None
    lowest_sump_l: float | None
    fresh_share: float
    seconds: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class SequenceRun:
    """What a sequence does. A refused one has no shares, only its reason and the number of the step.

    The reason is 'cannot_say' where the card's figures are not enough; every other refusal is a step not to be done.
    `basis` says how the share was worked out. `fresh_in_l - fresh_lost_l - fresh_held_l` is zero and
    `total_volume_l + missing_l` is the total fill.
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
    basis: str = ""


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
    mixing: float = MIXING_BEST,
    slice_l: float | None = None,
) -> SequenceRun:
    """Work through steps in their order, from a unit full of old fluid.

    A drain takes what it takes from a full unit, less what is missing already; drains without an engine run between
    take the new fluid out again. A drive mixes everything. The engine starts by itself where a step needs it.
    Without all parts on the card the closed forms of drains, drives and pushes answer as far as they hold.

    Args:
        card: the unit card.
        steps: what is done, at most 24.
        turnover, bleed: r and b; None takes the card's.
        mixing: m of the one-number formula, for a card without parts.
        slice_l: most litres of one step of flow; None takes what keeps shares within 1e-6.

    Returns:
        The run, a row for each step. An unsafe step refuses the whole, with its number and the reason.

    Raises:
        CardError: contradicting card figures.
        QuantityError: an unknown step, no step at all or too many, or litres that cannot be.
    """
    check_card(card)
    _check(card, steps)
    unit: _Unit = WholeUnit(card, mixing)
    if card.has_compartments:
        r, b = (
            own if own is not None else known
            for own, known in ((turnover, card.turnover), (bleed, card.bleed))
        )
        unit = FluidInUnit(compartments_of(card), r, b, slice_l)
    rows: list[StepResult] = []
    for number, step in enumerate(steps, start=1):
        out_l, in_l, tally = unit.out_l, unit.fresh_in_l, _Tally()
        try:
            if isinstance(unit, WholeUnit):
                _STEPS_AS_A_WHOLE[step.kind](card, unit, step, tally)
            else:
                _STEPS[step.kind](card, unit, step, tally)
        except _Refused as refusal:
            return SequenceRun(False, refusal.reason, f"Step {number}, {step.kind}: {refusal}", number)
        except CannotSay as gap:
            sentence = f"Step {number}, {step.kind}: cannot say; {gap}"
            return SequenceRun(False, "cannot_say", sentence, number)
        rows.append(_row(unit, step, tally, unit.out_l - out_l, unit.fresh_in_l - in_l))
    held_l, missing_l = unit.held_l(), unit.missing_l
    share = held_l / unit.total_l
    lowest = [row.lowest_sump_l for row in rows if row.lowest_sump_l is not None]
    short = f" {missing_l:.1f} L are still missing." if missing_l > SHORT_FOR_DRIVE_L else ""
    return SequenceRun(
        True, "ok", f"{unit.fresh_in_l:.1f} L new fluid leave the unit {share:.0%} fresh.{short}", None, share,
        min(lowest, default=None), unit.fresh_in_l, unit.out_l, missing_l, unit.fresh_in_l, unit.lost_l,
        held_l, unit.volume_l(), tuple(rows), _basis(unit),
    )  # fmt: skip


def _basis(unit: _Unit) -> str:
    if isinstance(unit, WholeUnit):
        return BY_ONE_NUMBER if unit.was_pushed else BY_DRAINED
    return BY_PARTS


def _check(card: UnitCard, steps: Sequence[Step]) -> None:
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
    flow_l = sum(step.litres or 0.0 for step in steps if step.kind in (CIRCULATE, COOLER_LINE, MACHINE))
    if flow_l > MOST_FLOW_FILLS * card.total_fill_l:
        raise QuantityError(
            f"{flow_l:g} L of flow are more than {MOST_FLOW_FILLS:g} fills of this unit; nothing changes after them."
        )


def _row(unit: _Unit, step: Step, tally: _Tally, out_l: float, in_l: float) -> StepResult:
    share = unit.held_l() / unit.total_l
    moved = [f"{litres:.2f} L {word}" for litres, word in ((out_l, "out"), (in_l, "in")) if litres > _DUST_L]
    sentence = f"{step.kind.capitalize()}: {', '.join(moved) or 'nothing leaves'}; {share:.0%} fresh."
    if isinstance(unit, WholeUnit):
        return StepResult(step.kind, out_l, in_l, None, None, share, tally.seconds, sentence)
    lowest_l = min(tally.lowest_l, unit.sump_l)
    return StepResult(step.kind, out_l, in_l, unit.sump_l, lowest_l, share, tally.seconds, sentence)


def _known(drained_l: float | None, name: str) -> float:
    if drained_l is None:
        raise CannotSay(f"the unit card does not give the {name}.")
    return drained_l


def _quick(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    # What stays below the plug is what a full sump keeps.
    litres = unit.sump_l - (unit.parts.sump_l - _known(card.quick_drain_l, QUICK))
    unit.drain(_that_leave(litres))


def _overnight(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    parts = unit.parts
    converter_back_l = max(0.0, parts.converter_drainback_l - (parts.converter_l - unit.converter_l))
    passages_back_l = max(0.0, parts.passages_drainback_l - (parts.passages_l - unit.passages_l))
    stays_l = parts.sump_l + parts.drainback_l - _known(card.overnight_drain_l, OVERNIGHT)
    litres = unit.sump_l + converter_back_l + passages_back_l - stays_l
    unit.drain(_that_leave(litres), converter_back_l, passages_back_l)


def _that_leave(litres: float) -> float:
    if litres <= _DUST_L:
        raise _Refused(
            "nothing_to_drain", "nothing more comes out by the plug; pour first, or leave this step out."
        )
    return litres


def _pour(card: UnitCard, unit: _Unit, step: Step, tally: _Tally) -> None:
    missing_l = unit.missing_l
    litres = max(0.0, missing_l) if step.litres is None else step.litres
    if litres > missing_l + 1e-6:
        sentence = f"only {max(0.0, missing_l):.2f} L are missing; {litres:g} L would overfill the unit."
        raise _Refused("overfilled", sentence)
    unit.pour(litres)


def _start_engine(unit: FluidInUnit) -> None:
    """Start the engine if the pump keeps its pickup covered, once converter and passages have filled."""
    left_l = unit.sump_l - unit.start_needs_l()
    # A card may know no pickup; a sump with next to nothing in it starves the pump all the same.
    floor_l = max(unit.parts.floor_l, LEAST_PART_SHARE * unit.total_l)
    if left_l < floor_l - _DUST_L:
        more_l = floor_l - left_l
        raise _Refused(
            "start_refused",
            f"do not start: {max(0.0, left_l):.1f} L would be left in the sump, the pump needs "
            f"{floor_l:.1f} L. Pour at least {more_l:.2f} L first.",
        )
    unit.start()


def _need_full(unit: _Unit, why: str, short_l: float = SHORT_FOR_DRIVE_L) -> None:
    if unit.missing_l > short_l:
        raise _Refused("not_full", f"{unit.missing_l:.2f} L are missing; {why}")


def _need_cooler(card: UnitCard) -> None:
    if card.cooler_l == 0.0:
        raise _Refused("no_external_cooler", "the unit has no external cooler line to open.")


def _drive(card: UnitCard, unit: _Unit, step: Step, tally: _Tally) -> None:
    _need_full(unit, "pour them and prove the level before it is driven.")
    if isinstance(unit, FluidInUnit):
        _start_engine(unit)
    unit.stir()


def _circulate(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    _need_cooler(card)
    _start_engine(unit)
    litres = step.litres or 0.0
    unit.flow(litres, is_hose_on=True)
    tally.seconds = stage_seconds(card, litres)


def _line(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    _need_cooler(card)
    _start_engine(unit)
    stage_l = _safe_stage_l(card, unit, step)
    left_l = step.litres or 0.0
    tally.seconds = stage_seconds(card, left_l)
    while left_l > _DUST_L:
        one_l = min(stage_l, left_l)
        unit.flow(one_l, hose=step.hose)
        tally.lowest_l = min(tally.lowest_l, unit.sump_l)
        unit.pour(one_l)
        left_l -= one_l


def _safe_stage_l(card: UnitCard, unit: _Unit, step: Step) -> float:
    limit_l = stage_limit(card, max(0.0, unit.missing_l)).litres
    stage_l = limit_l if step.stage_l is None else step.stage_l
    if limit_l <= 0.0:
        raise _Refused("no_safe_stage", "no stage is safe: the unit card leaves the pump no fluid to spare.")
    if stage_l > limit_l + _DUST_L:
        sentence = f"a stage of {stage_l:.2f} L may starve the pump"
        if isinstance(unit, FluidInUnit):
            left_l = max(0.0, unit.sump_l - stage_l)
            sentence = (
                f"a stage of {stage_l:.2f} L would leave {left_l:.1f} L in the sump, the pump needs "
                f"{unit.parts.floor_l:.1f} L"
            )
        raise _Refused("stage_too_large", f"{sentence}; at most {limit_l:.2f} L in one stage.")
    return stage_l


def _machine(card: UnitCard, unit: FluidInUnit, step: Step, tally: _Tally) -> None:
    _need_full(unit, _MACHINE_WANTS)
    _start_engine(unit)
    unit.flow(step.litres or 0.0, is_machine=True, hose=step.hose)
    tally.seconds = stage_seconds(card, step.litres or 0.0)


def _quick_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    unit.drain_quickly(_that_leave(_known(card.quick_drain_l, QUICK) - unit.missing_l))


def _overnight_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    unit.drain_overnight(_that_leave(_known(card.overnight_drain_l, OVERNIGHT) - unit.missing_l))


def _circulate_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    _need_cooler(card)
    _need_full(unit, _ALL_BACK)
    unit.circulate(step.litres or 0.0)
    tally.seconds = stage_seconds(card, step.litres or 0.0)


def _line_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    _need_cooler(card)
    _need_full(
        unit,
        _ALL_BACK,
        1e-6,
    )
    _safe_stage_l(card, unit, step)
    _push_as_a_whole(card, unit, step, tally)


def _machine_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    _need_full(unit, _MACHINE_WANTS, 1e-6)
    _push_as_a_whole(card, unit, step, tally)


def _push_as_a_whole(card: UnitCard, unit: WholeUnit, step: Step, tally: _Tally) -> None:
    if step.hose != HOSE_AFTER_COOLER:
        raise CannotSay("the unit card does not give the cooler, which a hose before it leaves out.")
    unit.push(step.litres or 0.0)
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

_STEPS_AS_A_WHOLE: Mapping[str, Callable[[UnitCard, WholeUnit, Step, _Tally], None]] = {
    QUICK: _quick_as_a_whole,
    OVERNIGHT: _overnight_as_a_whole,
    POUR: _pour,
    DRIVE: _drive,
    CIRCULATE: _circulate_as_a_whole,
    COOLER_LINE: _line_as_a_whole,
    MACHINE: _machine_as_a_whole,
}
