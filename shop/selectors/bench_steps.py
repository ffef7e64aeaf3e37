"""A sequence of steps on the bench: how it is asked for, and what it does to the card that lies there."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard
from intervals.exchange.flow import HOSE_AFTER_COOLER, HOSES
from intervals.exchange.sequence import KINDS, MOST_STEPS, SequenceRun, Step, run_sequence
from intervals.exchange.shares import MIXING_BEST
from intervals.exchange.spread import MIXING_BOUNDS, MIXING_LIMIT

MOST_STEP_L = 500.0
ROUGH_SLICES = 500
"""Slices of flow a whole sequence is cut into for the range of its share."""
MEMBERS = ("kind", "litres", "stage_l", "hose")
WITHOUT_PARTS = (MIXING_BEST - MIXING_LIMIT, MIXING_BEST + MIXING_LIMIT)
"""Mixing numbers between which a card without parts lies."""

Wrong = list[tuple[tuple[str, ...], str]]


@dataclass(frozen=True, slots=True)
class SequenceShown:
    """A sequence worked through, and its share in the extremes of mixing; nothing asked for leaves all empty."""

    cannot_say: str = ""
    run: SequenceRun | None = None
    share_least: float | None = None
    share_most: float | None = None


def is_finite_number(value: Any) -> bool:
    """True for a number that can be calculated with; yes, no, infinities and numbers no float can hold are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def read_steps(value: Any, wrong: Wrong) -> tuple[Step, ...]:
    """Check the steps of a request; note one sentence for every member that cannot be used."""
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_STEPS:
        wrong.append((("steps",), f"Give a list of 1 to {MOST_STEPS} steps."))
        return ()
    before = len(wrong)
    steps = [_step(place, one, wrong) for place, one in enumerate(value)]
    return tuple(steps) if len(wrong) == before else ()


def _step(place: int, one: Any, wrong: Wrong) -> Step:
    path = ("steps", str(place))
    if not isinstance(one, Mapping):
        wrong.append((path, "A step is an object with a “kind”."))
        return Step("")
    for name in one:
        if name not in MEMBERS:
            wrong.append(((*path, str(name)), f"“{name}” is not known here; known are {', '.join(MEMBERS)}."))
    kind, hose = one.get("kind"), one.get("hose") or HOSE_AFTER_COOLER
    if kind in (None, ""):
        wrong.append(((*path, "kind"), f"Step {place + 1}: choose what is done, one of {', '.join(KINDS)}."))
    elif kind not in KINDS:
        wrong.append(((*path, "kind"), f"“{kind}” is no step; known are {', '.join(KINDS)}."))
    if hose not in HOSES:
        wrong.append(((*path, "hose"), f"The hose is opened {' or '.join(HOSES)}."))
    litres = {name: _litres((*path, name), one.get(name), wrong) for name in ("litres", "stage_l")}
    if kind in ("circulate", "cooler-line exchange", "machine exchange") and one.get("litres") is None:
        wrong.append(((*path, "litres"), f"Step {place + 1}, {kind}: say how many litres."))
    return Step(str(kind), litres["litres"], litres["stage_l"], str(hose))


def _litres(path: tuple[str, ...], value: Any, wrong: Wrong) -> float | None:
    if value is None:
        return None
    if not is_finite_number(value) or not 0.0 < value <= MOST_STEP_L:
        wrong.append((path, f"Litres of a step lie above zero and up to {MOST_STEP_L:g} L."))
        return None
    return float(value)


def steps_schema() -> dict[str, Any]:
    """Return the JSON Schema of the steps."""
    litres = {"type": ["number", "null"], "exclusiveMinimum": 0, "maximum": MOST_STEP_L}
    return {
        "type": ["array", "null"],
        "minItems": 1,
        "maxItems": MOST_STEPS,
        "description": "What is done, in order; litres left out of a pour are what is missing.",
        "items": {
            "type": "object",
            "additionalProperties": False,
            "required": ["kind"],
            "properties": {
                "kind": {"enum": list(KINDS)},
                "litres": litres,
                "stage_l": litres,
                "hose": {"enum": [*HOSES, None]},
            },
        },
    }


def sequence_shown(card: UnitCard, steps: tuple[Step, ...]) -> SequenceShown:
    """Work through the steps asked for."""
    if not steps:
        return SequenceShown()
    try:
        run = run_sequence(card, steps)
        if not run.is_allowed:
            return SequenceShown(run=run)
        rough_l = sum(step.litres or card.total_fill_l for step in steps) / ROUGH_SLICES
        corners = (
            [
                run_sequence(card, steps, turnover=turnover, bleed=bleed, slice_l=rough_l).fresh_share
                for turnover in MIXING_BOUNDS["turnover"]
                for bleed in MIXING_BOUNDS["bleed"]
            ]
            if card.has_compartments
            else [run_sequence(card, steps, mixing=mixing).fresh_share for mixing in WITHOUT_PARTS]
        )
        shares = [share for share in (run.fresh_share, *corners) if share is not None]
        return SequenceShown("", run, min(shares), max(shares))
    except HatchmarkError as error:
        return SequenceShown(str(error))
