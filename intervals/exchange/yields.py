"""What each method brings a unit: litres, stages and fresh share for a target, or the obstacle in its way."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from intervals.exchange.card import UnitCard, stage_limit, start_check
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED, TANK, TYPICAL_SHARES
from intervals.exchange.curve import FloatArray, share_curve
from intervals.exchange.shares import mixing_numbers, one_number_share, share_after_drains
from intervals.exchange.starts import (
    COOLER_LINE,
    DRAIN,
    MACHINE,
    OVERNIGHT,
    START_NONE,
    START_OVERNIGHT,
    START_QUICK,
    start_litres,
)

MOST_DRAINS = 6
MOST_PUSHED_FILLS = 2.0
CAUTIOUS_PERCENTILE = 20.0

BASIS_PARTS = "compartments of the unit card, cautious fifth of 25 mixing cases"
BASIS_ONE_NUMBER = "one-number formula, the unit card has no compartments"
BASIS_DRAIN = "drained litres over total fill"
BASIS_TYPICAL = "typical share for this kind of unit, not measured"

TURNOVERS = np.repeat((np.arange(5) + 0.5) * 4.0 / 5.0, 5)
BLEEDS = np.tile((np.arange(5) + 0.5) * 0.5 / 5.0, 5)
"""The 25 mixing cases: turnover 0 to 4 and bleed 0 to 0.5, middles of five equal steps each."""
_GRID_L = 0.05
_GRID_AT_ONCE = 64


@dataclass(frozen=True, slots=True)
class Yield:
    """What a method brings: litres, stages and shares."""

    drained_l: float
    pushed_l: float
    share: float
    low: float
    basis: str
    stages: tuple[float, ...] = ()
    drains: int = 1


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a method cannot be done: a code and a sentence."""

    reason: str
    sentence: str


def starts_of(card: UnitCard, method: str) -> tuple[str, ...]:
    """Drains that may come before a method, as far as the card knows them."""
    if method == BLEED:
        return (START_NONE,)
    if method == OVERNIGHT:
        return (START_OVERNIGHT,)
    if method not in (COOLER_LINE, MACHINE):
        return (START_QUICK,)
    known = [START_QUICK] if card.quick_drain_l is not None else []
    if method == COOLER_LINE and card.overnight_drain_l is not None:
        known.insert(0, START_OVERNIGHT)
    return tuple(known) or (START_NONE,)


def obstacle_to(card: UnitCard, method: str, start: str, stops: Mapping[str, Obstacle]) -> Obstacle | None:
    """What stands in the way of a method, or None; `stops` maps a method or start to today's."""
    for name in (method, start):
        if name in stops:
            return stops[name]
    if method == COOLER_LINE and card.cooler_l == 0.0:
        return Obstacle("no_external_cooler", "The unit has no external cooler line to open.")
    if method == COOLER_LINE and stage_limit(card).litres <= 0.0:
        return Obstacle("no_safe_stage", "No stage is safe: the unit card leaves the pump no fluid to spare.")
    if method == OVERNIGHT and card.overnight_drain_l is None:
        return Obstacle("no_overnight_figure", "The unit card does not give the overnight drain.")
    if start == START_OVERNIGHT and card.has_compartments and card.overnight_drain_l is not None:
        check = start_check(card, card.overnight_drain_l)
        if not check.ok:
            return Obstacle("start_refused", check.sentence)
    if method == BLEED and card.bleed_l is None and card.unit_kind not in TYPICAL_SHARES:
        return Obstacle("no_bleed_figure", "The unit card does not give the litres of one bleeding.")
    needs_drain = method in (DRAIN, REPEATED, TANK, CYCLE_TANK)
    if needs_drain and card.quick_drain_l is None and card.unit_kind not in TYPICAL_SHARES:
        return Obstacle("no_drained_figure", "Cannot say: the unit card does not give the drained litres.")
    return None


def _one_drain(card: UnitCard, start: str) -> Yield:
    known_l = card.overnight_drain_l if start == START_OVERNIGHT else card.quick_drain_l
    if known_l is not None:
        share = known_l / card.total_fill_l
        return Yield(known_l, 0.0, share, share, BASIS_DRAIN)
    typical = TYPICAL_SHARES[card.unit_kind or ""]
    return Yield(typical.middle * card.total_fill_l, 0.0, typical.middle, typical.low, BASIS_TYPICAL)


def _by_drain(card: UnitCard, method: str, start: str, target: float) -> Yield:
    return _one_drain(card, start)


def _by_drains(card: UnitCard, method: str, start: str, target: float) -> Yield:
    one = _one_drain(card, start)
    counts = (2,) if method == CYCLE_TANK else range(1, MOST_DRAINS + 1)
    for n in counts:
        low = share_after_drains(n, one.low, 1.0)
        if low >= target:
            break
    return replace(
        one, drained_l=n * one.drained_l, share=share_after_drains(n, one.share, 1.0), low=low, drains=n
    )


def _by_bleed(card: UnitCard, method: str, start: str, target: float) -> Yield:
    if card.bleed_l is None:
        typical = TYPICAL_SHARES[card.unit_kind or ""]
        return Yield(0.0, card.total_fill_l, typical.middle, typical.low, BASIS_TYPICAL)
    best, low = (
        one_number_share(0.0, card.bleed_l, card.total_fill_l, m) for m in mixing_numbers(card.mixing)
    )
    return Yield(0.0, card.bleed_l, best, low, BASIS_ONE_NUMBER)


def _by_pushing(card: UnitCard, method: str, start: str, target: float) -> Yield:
    """Fewest litres through the cooler line, or the machine, whose cautious share reaches the target."""
    drained_l = start_litres(card, start)
    mark_l = card.jug_mark_l
    most_l = MOST_PUSHED_FILLS * card.total_fill_l
    limit_l = stage_limit(card).litres if method == COOLER_LINE else math.ceil(most_l / mark_l) * mark_l
    pushed_l = _first_enough(card, method, start, target, most_l, limit_l)
    count = math.ceil(pushed_l / limit_l - 1e-9)
    stage_l = math.ceil(pushed_l / count / mark_l - 1e-9) * mark_l if count else 0.0
    while True:
        best, low = (
            float(row[0]) for row in _shares(card, method, start, np.array([count * stage_l]), stage_l)
        )
        if low >= target or count * stage_l >= most_l:
            break
        if stage_l + mark_l <= limit_l + 1e-9:
            stage_l += mark_l
        else:
            count += 1
    basis = BASIS_PARTS if card.has_compartments else BASIS_ONE_NUMBER
    return Yield(drained_l, count * stage_l, best, low, basis, (stage_l,) * count)


def _first_enough(
    card: UnitCard, method: str, start: str, target: float, most_l: float, limit_l: float
) -> float:
    """First litres on the grid whose cautious share reaches the target; shares rise with litres."""
    grid_l = np.arange(0.0, most_l + _GRID_L, _GRID_L)
    ends = np.append(np.arange(0, grid_l.size - 1, _GRID_AT_ONCE), grid_l.size - 1)
    enough = np.flatnonzero(_shares(card, method, start, grid_l[ends], limit_l)[1] >= target)
    if not enough.size:
        return most_l
    last = int(enough[0])
    between = grid_l[ends[max(last - 1, 0)] : ends[last] + 1]
    found = np.flatnonzero(_shares(card, method, start, between, limit_l)[1] >= target)
    return float(between[found[0]])


def _shares(
    card: UnitCard, method: str, start: str, pushed_l: FloatArray, stage_l: float
) -> tuple[FloatArray, FloatArray]:
    """Best and cautious fresh share for litres pushed after the start."""
    drained_l = start_litres(card, start)
    if not card.has_compartments:
        total_l = card.total_fill_l
        best, low = (
            [one_number_share(drained_l, v, total_l, m) for v in pushed_l.tolist()]
            for m in mixing_numbers(card.mixing)
        )
        return np.array(best), np.array(low)
    shares = share_curve(
        card, method, pushed_l + drained_l,
        np.append(TURNOVERS, card.turnover), np.append(BLEEDS, card.bleed),
        start=start, stage_l=stage_l or None,
    )  # fmt: skip
    return shares[-1], np.percentile(shares[:-1], CAUTIOUS_PERCENTILE, axis=0)


YIELDS: Mapping[str, Callable[[UnitCard, str, str, float], Yield]] = {
    DRAIN: _by_drain,
    OVERNIGHT: _by_drain,
    TANK: _by_drain,
    REPEATED: _by_drains,
    CYCLE_TANK: _by_drains,
    BLEED: _by_bleed,
    COOLER_LINE: _by_pushing,
    MACHINE: _by_pushing,
}
