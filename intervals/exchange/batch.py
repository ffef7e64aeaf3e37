"""Plans for many units at once: the same answers as `plan_exchange`, one row per unit.

A method that pushes fluid through is worked out only where it can still come first or second: the hours off
the road rank before litres and do not depend on them, so most units need one or two such methods.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intervals.errors import CardError, QuantityError
from intervals.exchange.batch_jobs import BoolArray, IntArray, push_jobs
from intervals.exchange.batch_push import CoolerLinePush, MachinePush, OneNumberPush, push_many
from intervals.exchange.card import SUM_TOLERANCE_L, UnitCard, check_card
from intervals.exchange.catalogue import (
    BLEED,
    CYCLE_TANK,
    HOLD_UP_SHARE,
    METHODS,
    PURGE_HOLD_UP_MOST_L,
    PURGE_L,
    REPEATED,
    TANK,
    TYPICAL_HOURS,
    WorkHours,
    work_hours,
)
from intervals.exchange.curve import FloatArray
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
from intervals.exchange.yields import YIELDS, Obstacle, obstacle_to, starts_of

OPTIONS: tuple[tuple[str, str], ...] = (
    (DRAIN, START_QUICK),
    (REPEATED, START_QUICK),
    (OVERNIGHT, START_OVERNIGHT),
    (TANK, START_QUICK),
    (CYCLE_TANK, START_QUICK),
    (BLEED, START_NONE),
    (COOLER_LINE, START_OVERNIGHT),
    (COOLER_LINE, START_QUICK),
    (COOLER_LINE, START_NONE),
    (MACHINE, START_QUICK),
    (MACHINE, START_NONE),
)
"""Every method with every drain that may come before it; plans name their choice by its place here."""

REASONS = ("ok", "below_target", "no_method", "no_feasible_method", "card_refused")
"""What a row of the table says; the shares and litres of the last three are NaN."""
REASON_OK, REASON_BELOW_TARGET, REASON_NO_METHOD, REASON_NONE_FEASIBLE, REASON_CARD_REFUSED = range(5)

NO_OPTION = -1
_PLACE: Mapping[tuple[str, str], int] = {option: place for place, option in enumerate(OPTIONS)}
_PUSHES = np.array([method in (COOLER_LINE, MACHINE) for method, _ in OPTIONS])
_PUSH_PLACES: Mapping[str, IntArray] = {
    name: np.array([place for place, (method, _) in enumerate(OPTIONS) if method == name])
    for name in (COOLER_LINE, MACHINE)
}


@dataclass(frozen=True, slots=True)
class PlanTable:
    """One row per unit; `best` and `runner_up` are places in OPTIONS, -1 where there is none.

    Attributes:
        best, runner_up: the chosen option and the next of the same kind (reaching the target or not).
        reason: place in REASONS.
        stages, drains: engine runs or machine runs; drains of a repeated method, else 1.
        stage_l, drained_l, pushed_l, new_fluid_l: litres of one stage; out of the drain; through the line; new.
        fresh_share, fresh_share_low: best guess and cautious fresh share.
        reserve_l: new fluid with purge and pack hold-up.
        off_road_h: hours off the road.
        refusals: row -> sentence why its card is refused.
    """

    best: IntArray
    runner_up: IntArray
    reason: IntArray
    stages: IntArray
    drains: IntArray
    stage_l: FloatArray
    drained_l: FloatArray
    pushed_l: FloatArray
    new_fluid_l: FloatArray
    fresh_share: FloatArray
    fresh_share_low: FloatArray
    reserve_l: FloatArray
    off_road_h: FloatArray
    refusals: Mapping[int, str]

    def method(self, row: int) -> str | None:
        """Name of the method chosen for a row, or None."""
        return OPTIONS[self.best[row]][0] if self.best[row] >= 0 else None

    def start(self, row: int) -> str | None:
        """Name of the drain before the method chosen for a row, or None."""
        return OPTIONS[self.best[row]][1] if self.best[row] >= 0 else None


def plan_many(
    cards: Sequence[UnitCard],
    allowed_methods: Sequence[Sequence[str]],
    target_shares: ArrayLike,
    *,
    hours: Mapping[tuple[str, str], WorkHours] = TYPICAL_HOURS,
) -> PlanTable:
    """Plan many units at once; each row equals what `plan_exchange` says of its card without costs.

    Litres, stages, methods and reasons are the same, shares agree to 1e-9 (rounding in another order). A card
    that contradicts itself gets the reason 'card_refused' and its sentence instead of stopping the others.

    Args:
        cards: unit cards.
        allowed_methods: names out of METHODS for each card.
        target_shares: cautious fresh share asked of each, above 0 and below 1.
        hours: hours per method and start.

    Returns:
        The table.

    Raises:
        QuantityError: unequal lengths, an unknown method, a target out of range, or hours missing.
    """
    targets = np.asarray(target_shares, dtype=np.float64)
    if targets.shape != (len(cards),) or len(allowed_methods) != len(cards):
        raise QuantityError("Give one card, one list of methods and one target share for each unit.")
    if not np.all((targets > 0.0) & (targets < 1.0)):
        raise QuantityError(
            "Every target share must lie above 0 and below 1; no method gives all new and none is no job."
        )
    board = _Board(cards, allowed_methods, targets, hours)
    while board.work_out(board.ranked()[:, :2]):
        pass
    return board.table()


class _Board:
    """Every option of every unit: (units, options), filled in as far as the choice needs."""

    def __init__(
        self,
        cards: Sequence[UnitCard],
        allowed: Sequence[Sequence[str]],
        targets: FloatArray,
        hours: Mapping[tuple[str, str], WorkHours],
    ) -> None:
        self.cards, self.targets, self.hours = cards, targets, hours
        shape = (len(cards), len(OPTIONS))
        self.order = np.full(shape, np.inf)
        self.drained_l, self.pushed_l, self.off_road_h = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.share, self.low = np.full(shape, np.nan), np.full(shape, np.inf)
        self.stage_l = np.zeros(shape)
        self.stages, self.drains = np.zeros(shape, np.int64), np.ones(shape, np.int64)
        self.is_open: BoolArray = np.zeros(shape, np.bool_)
        self.reason = np.full(len(cards), REASON_OK)
        self.refusals: dict[int, str] = {}
        known: dict[tuple[str, ...], tuple[str, ...]] = {}
        for row, card in enumerate(cards):
            asked = tuple(allowed[row])
            names = known.get(asked)
            if names is None:
                names = known[asked] = _checked_names(asked)
            self._enter(row, card, names)

    def _enter(self, row: int, card: UnitCard, names: tuple[str, ...]) -> None:
        """Write down what needs no simulation, and leave the pushing methods open."""
        try:
            check_card(card)
        except CardError as error:
            self.reason[row], self.refusals[row] = REASON_CARD_REFUSED, str(error)
            return
        target, order = float(self.targets[row]), 0
        for method in names:
            for start in starts_of(card, method):
                order += 1
                if isinstance(obstacle_to(card, method, start, {}), Obstacle):
                    continue
                place = _PLACE[method, start]
                self.order[row, place] = order
                if _PUSHES[place]:
                    self.is_open[row, place] = True
                    self.drained_l[row, place] = start_litres(card, start)
                    self.off_road_h[row, place] = work_hours(method, start, hours=self.hours).off_road_h
                    continue
                brings = YIELDS[method](card, method, start, target)
                repeats = brings.drains if method == REPEATED else 1
                work = work_hours(method, start, brings.pushed_l, repeats, self.hours)
                self.drained_l[row, place], self.pushed_l[row, place] = brings.drained_l, brings.pushed_l
                self.share[row, place], self.low[row, place] = brings.share, brings.low
                self.drains[row, place], self.off_road_h[row, place] = brings.drains, work.off_road_h
        if not names:
            self.reason[row] = REASON_NO_METHOD
        elif order and not np.isfinite(self.order[row]).any():
            self.reason[row] = REASON_NONE_FEASIBLE

    def _kinds(self) -> IntArray:
        """0 reaches the target (or may, while open), 1 falls short, 2 cannot be done."""
        short = np.where(self.low >= self.targets[:, None], 0, 1)
        return np.where(np.isfinite(self.order), short, 2)

    def ranked(self) -> IntArray:
        """Places in OPTIONS, best first; what is still open stands as well as it possibly can."""
        kinds = self._kinds()
        # Where the drain alone may be enough, the hours are those of a drain: look before ranking.
        enough_l = self.targets * np.array([card.total_fill_l - SUM_TOLERANCE_L for card in self.cards])
        is_near = self.is_open & (self.drained_l >= enough_l[:, None])
        off_road_h = np.where(is_near, -np.inf, self.off_road_h)
        freshest_first = np.where(kinds == 1, -self.low, 0.0)
        is_push = np.broadcast_to(_PUSHES, kinds.shape)
        keys = (self.order, is_push, self.drained_l + self.pushed_l, off_road_h, freshest_first, kinds)
        return np.asarray(np.lexsort(keys, axis=-1))

    def work_out(self, wanted: IntArray) -> bool:
        """Simulate the open options among `wanted` (units, options); whether there were any."""
        is_wanted = np.zeros_like(self.is_open)
        np.put_along_axis(is_wanted, wanted, True, axis=1)
        is_wanted &= self.is_open
        for method, places in _PUSH_PLACES.items():
            rows, which = np.nonzero(is_wanted[:, places])
            has_parts = np.array([self.cards[row].has_compartments for row in rows.tolist()], np.bool_)
            for parts in (True, False):
                chosen = has_parts == parts
                if chosen.any():
                    self._push(method, rows[chosen], places[which[chosen]], parts)
        self.is_open &= ~is_wanted
        return bool(is_wanted.any())

    def _push(self, method: str, rows: IntArray, places: IntArray, has_parts: bool) -> None:
        starts = [OPTIONS[place][1] for place in places.tolist()]
        jobs = push_jobs([self.cards[row] for row in rows.tolist()], method, starts, self.targets[rows])
        push = OneNumberPush() if not has_parts else MachinePush() if method == MACHINE else CoolerLinePush()
        pushed = push_many(jobs, push)
        at = rows, places
        self.stages[at], self.stage_l[at] = pushed.stages, pushed.stage_l
        self.pushed_l[at] = pushed.stages * pushed.stage_l
        self.share[at], self.low[at] = pushed.share, pushed.low
        for job in np.flatnonzero(pushed.stages == 0).tolist():
            start = starts[job]
            done = DRAIN if start == START_QUICK else OVERNIGHT
            work = work_hours(done, start, hours=self.hours)
            self.off_road_h[rows[job], places[job]] = work.off_road_h

    def table(self) -> PlanTable:
        """The rows, once nothing that matters is open."""
        order, kinds = self.ranked(), self._kinds()
        first, second = order[:, 0], order[:, 1]
        row = np.arange(len(self.cards))
        has_best = kinds[row, first] < 2
        has_rival = has_best & (kinds[row, second] == kinds[row, first])
        is_short = has_best & (kinds[row, first] == 1)

        def of(values: NDArray[np.float64]) -> FloatArray:
            return np.where(has_best, values[row, first], np.nan)

        new_l = of(self.drained_l + self.pushed_l)
        purge_l = np.minimum(PURGE_HOLD_UP_MOST_L, PURGE_L + HOLD_UP_SHARE * new_l)
        return PlanTable(
            np.where(has_best, first, NO_OPTION), np.where(has_rival, second, NO_OPTION),
            np.where(is_short, REASON_BELOW_TARGET, self.reason),
            np.where(has_best, self.stages[row, first], 0), np.where(has_best, self.drains[row, first], 0),
            of(self.stage_l), of(self.drained_l), of(self.pushed_l), new_l, of(self.share), of(self.low),
            new_l + purge_l, of(self.off_road_h), self.refusals,
        )  # fmt: skip


def _checked_names(asked: tuple[str, ...]) -> tuple[str, ...]:
    """Names without repeats. Raises QuantityError for one that is not in METHODS."""
    unknown = [name for name in asked if name not in METHODS]
    if unknown:
        raise QuantityError(f"Unknown method '{unknown[0]}'; allowed are {', '.join(METHODS)}.")
    return tuple(dict.fromkeys(asked))
