"""Rooms whose limit several fluids share: the order plan pressed until what stands in each room fits.

In every week, once its deliveries are in, the litres of all fluids of a room must not pass its limit. That is one more
constraint that couples the fluids. A rent for each litre and week, the same for all fluids of the room, takes it out of
the exact plans of the fluids (Lagrangian relaxation); less what the room's limit earns at these rents, their sum stays
below the cost of every plan that fits. The rents are raised where the bound's own plans are over and lowered where they
are under (subgradient steps of Polyak, 1969). A plan that fits is made by pressing one fluid at a time, the one that
gives way most cheaply for each litre; then whole orders are tried to do without.

What must stand in the room even with the least stock is no plan's choice: there the limit gives way to it and is said
to be passed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from shop.planning.lot_sizing import FloatArray, LotPlan, Squeeze
from shop.planning.order_search import FluidTables, OrderSearch, PlannedOrder, Plans
from shop.planning.steps import Step, Steps

STEPS, FEWEST_STEPS = 24, 4
"""Steps of the rents, fewer where many fluids share rooms. House default."""

PLANS_AT_MOST = 300
"""Plans of single fluids that may be worked out in one go to set rents or to press; bounds the time. House default."""

CLOSE_ENOUGH = 0.002
"""Share of the bound below which a better plan is not looked for. House default."""

FLUIDS_PRESSED = 6
"""Of the fluids of a room, so many with most to give are tried at a time. House default."""

HOPED_DEARER = 0.03
"""By which share a plan that fits is guessed to be dearer; sets the length of the first steps. House default."""

LEAN_STARTS = 8
"""Leaner and leaner plans to press from, where pressing the cheap one is not enough. House default."""

DEAR_RENT = 1e4
"""Money for a litre and week that outweighs everything else."""

_DUST_L = 1e-6
_DUST_COST = 1e-6


@dataclass(frozen=True, slots=True)
class Room:
    """A room or bund: most_l litres may stand in it, whichever of the fluids they are.

    apart_l: litres that stand in it for good as far as a plan goes: set aside, reserved, past their day.
    """

    name: str
    most_l: float
    fluids: frozenset[str]
    apart_l: float = 0.0


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """What a plan puts into a room.

    Attributes:
        name, most_l: the room and its limit.
        full_l: (T,) litres in it once each week's deliveries are in.
        least_l: (T,) litres that must be in it then, whatever is bought when; no plan stays below.
    """

    name: str
    most_l: float
    full_l: FloatArray
    least_l: FloatArray

    @property
    def over_l(self) -> FloatArray:
        """(T,) litres beyond the limit."""
        return np.maximum(self.full_l - self.most_l - _DUST_L, 0.0)

    @property
    def unavoidable_l(self) -> FloatArray:
        """(T,) litres beyond the limit even with the least stock."""
        return np.maximum(self.least_l - self.most_l - _DUST_L, 0.0)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A plan with its rooms; bound: no plan that fits where this one does costs less."""

    plans: Plans
    bound: float
    rooms: tuple[RoomPlan, ...]


def fit_rooms(
    search: OrderSearch, plans: Plans, rooms: Sequence[Room], unplanned_l: Mapping[str, FloatArray]
) -> Steps[Fitted]:
    """Make a plan fit its rooms at little more cost.

    unplanned_l: fluid → (T,) litres of fluids that are not planned but stand in a room all the same.
    """
    yield Step("Working out what no plan can go below…")
    bound = search.bound()
    if not rooms:
        return Fitted(plans, bound, ())
    fit = _Fit(search, rooms, unplanned_l)
    if not fit.is_over(plans):
        return Fitted(plans, bound, fit.rooms(plans))
    yield Step("Making room in the shared rooms…")
    rents, high = fit.rents(bound, search.cost(plans))
    state = [(own, own.usual, own.raised_l) for own in search.fluids]
    best = fit.settled(fit.made_to_fit(plans)) if fit.is_small else plans
    if not fit.is_small or search.cost(best) - high > CLOSE_ENOUGH * abs(high):
        searched = yield from fit.searched(rents)
        other = fit.settled(fit.made_to_fit(searched))
        if fit.rank(other) < fit.rank(best):
            best = other
        else:
            for fluid, usual, raised_l in state:
                fluid.usual, fluid.raised_l = usual, raised_l
    if fit.is_small:
        yield Step("Trying to do with fewer orders…")
        best = fit.thinned(best)
    return Fitted(best, bound if fit.is_over(best) else high, fit.rooms(best))


class _Fit:
    """The rooms beside the search."""

    def __init__(
        self, search: OrderSearch, rooms: Sequence[Room], unplanned_l: Mapping[str, FloatArray]
    ) -> None:
        self.search, self.all = search, tuple(rooms)
        self.fluids = {own.code: own for own in search.fluids}
        nothing = np.zeros(search.weeks)
        self.others_l = np.array(
            [
                sum((unplanned_l[code] for code in own.fluids if code in unplanned_l), nothing + own.apart_l)
                for own in rooms
            ]
        )
        self.least_of = {
            code: own.sizing.least_full_l()
            for code, own in self.fluids.items()
            if any(code in room.fluids for room in rooms)
        }
        self.least_l = self._sums(self.least_of)
        self.allowed_l = np.maximum(np.array([[own.most_l] for own in rooms]), self.least_l)

    def _sums(self, full_of: Mapping[str, FloatArray]) -> FloatArray:
        """Return (rooms, T) litres in each room."""
        sums = self.others_l.copy()
        for place, room in enumerate(self.all):
            for code in room.fluids & full_of.keys():
                sums[place] += full_of[code]
        return sums

    def full_l(self, plans: Plans) -> FloatArray:
        """Return (rooms, T) litres in each room under a plan."""
        return self._sums({code: plan.full_l.clip(min=0.0) for code, plan in plans.items()})

    def over_l(self, plans: Plans) -> FloatArray:
        """Return (rooms, T) litres beyond what is allowed."""
        over_l: FloatArray = np.maximum(self.full_l(plans) - self.allowed_l, 0.0)
        return over_l

    @property
    def is_small(self) -> bool:
        """Whether there is time to press the plan that knows no rooms too, and to try to do without orders."""
        return len(self.least_of) * STEPS <= PLANS_AT_MOST

    def rank(self, plans: Plans) -> tuple[float, float]:
        """Return what makes a plan better: first fitting, then costing less."""
        return round(float(self.over_l(plans).sum()), 3), self.search.cost(plans)

    def is_over(self, plans: Plans) -> bool:
        """Say whether anything stands in a room that must not."""
        return bool((self.over_l(plans) > _DUST_L).any())

    def rooms(self, plans: Plans) -> tuple[RoomPlan, ...]:
        """Return the rooms under a plan."""
        rows = zip(self.all, self.full_l(plans), self.least_l, strict=True)
        return tuple(RoomPlan(own.name, own.most_l, full, least) for own, full, least in rows)

    def squeezes(self, rents: FloatArray) -> dict[str, Squeeze]:
        """Return what presses each fluid at these rents, (rooms, T) money per litre and week."""
        found = {}
        for code in self.least_of:
            inside = [place for place, room in enumerate(self.all) if code in room.fluids]
            found[code] = Squeeze(rents[inside].sum(axis=0), np.full(self.search.weeks, inf))
        return found

    def rents(self, bound: float, cost: float) -> tuple[FloatArray, float]:
        """Return the rents with the highest bound found, and that bound; cost: of the plan that knows no rooms."""
        rents = best = np.zeros_like(self.allowed_l)
        reach, since, goal = 1.0, 0, cost + HOPED_DEARER * abs(cost)
        for _ in range(max(FEWEST_STEPS, min(STEPS, PLANS_AT_MOST // len(self.least_of)))):
            over = self.full_l(self.search.bounding) - self.allowed_l
            over = np.where((over < 0) & (rents <= 0), 0.0, over)
            size = float((over**2).sum())
            if size <= _DUST_L:
                break
            goal = max(goal, bound + CLOSE_ENOUGH * abs(bound))
            rents = np.maximum(rents + reach * (goal - bound) / size * over, 0.0)
            self.search.squeezed(self.squeezes(rents))
            found = self.search.bound() + float((rents * (self.others_l - self.allowed_l)).sum())
            since += 1
            if found > bound:
                bound, best, since = found, rents, 0
            elif since == 3:
                reach, since = reach / 2, 0
        self.search.squeezed(self.squeezes(np.zeros_like(rents)))
        return best, bound

    def searched(self, rents: FloatArray) -> Steps[Plans]:
        """Search the weeks of the orders anew at these rents."""
        for fluid in self.search.fluids:
            fluid.raised_l = {}
        self.search.squeezed(self.squeezes(rents))
        found = self.search.raised(*(yield from self.search.best()))
        self.search.squeezed(self.squeezes(np.zeros_like(rents)))
        return {code: replace(plan, rent=0.0) for code, plan in found.items()}

    def made_to_fit(self, plans: Plans) -> Plans:
        """Press a plan; where that is not enough, begin again from ever leaner ones."""
        best = self.pressed(plans)
        weight = np.ones_like(self.allowed_l)
        for _ in range(LEAN_STARTS):
            if not self.is_over(best):
                break
            lean = self.pressed(self._lean(plans, weight))
            weight += self.over_l(lean) / self.allowed_l.clip(min=1.0)
            best = min(best, lean, key=lambda own: float(self.over_l(own).sum()))
        return best

    def _lean(self, plans: Plans, weight: FloatArray) -> Plans:
        """Plan each fluid for as few litres in its rooms as can be, whatever it costs."""
        for code, squeeze in self.squeezes(weight * DEAR_RENT).items():
            plan = self.search.again(self.fluids[code], plans, squeeze)
            if plan is not None:
                plans = {**plans, code: replace(plan, rent=0.0)}
        return plans

    def settled(self, plans: Plans) -> Plans:
        """Plan one fluid after the other anew in the room the others leave, as long as that saves money."""
        before = inf
        while (cost := self.search.cost(plans)) < before:
            before = cost
            for code in self.least_of:
                plans = self._cheaper(plans, self._anew(plans, code))
        return plans

    def thinned(self, plans: Plans) -> Plans:
        """Do without one order after the other where that saves money."""
        before = inf
        while (cost := self.search.cost(plans)) < before:
            before = cost
            for order in self.search.orders(plans):
                plans = self._cheaper(plans, self._without(plans, order))
            plans = self.settled(plans) if self.search.cost(plans) < before else plans
        return plans

    def _cheaper(self, plans: Plans, tried: Plans | None) -> Plans:
        is_better = tried is not None and self.search.cost(tried) < self.search.cost(plans) - _DUST_COST
        return tried if tried is not None and is_better else plans

    def _anew(self, plans: Plans, code: str, barred: tuple[int, int] | None = None) -> Plans | None:
        """Plan one fluid anew in the room the others leave, not in the order barred."""
        left_l = np.full(self.search.weeks, inf)
        own_l = plans[code].full_l.clip(min=0.0)
        free_l = np.maximum(self.allowed_l - self.full_l(plans), 0.0)
        for place, room in enumerate(self.all):
            if code in room.fluids:
                left_l = np.minimum(left_l, free_l[place] + own_l)
        plan = self.search.again(self.fluids[code], plans, Squeeze(np.zeros_like(left_l), left_l), barred)
        return None if plan is None else {**plans, code: plan}

    def _without(self, plans: Plans, order: PlannedOrder) -> Plans | None:
        """Do without an order, its fluids bought in other weeks; None where that cannot be or saves nothing."""
        tried, most = plans, self.search.cost(plans) + order.fixed_cost
        for code, _ in sorted(order.lots, key=lambda own: -own[1].litres):
            found = self._anew(tried, code, (order.source, order.week))
            if found is None or self.search.cost(found) > most:
                return None
            tried = found
        return tried

    def pressed(self, plans: Plans) -> Plans:
        """Press one fluid after the other until everything fits or nothing gives way any more."""
        limits = {code: np.full(self.search.weeks, inf) for code in self.least_of}
        over = self.over_l(plans)
        for _ in range(PLANS_AT_MOST // FLUIDS_PRESSED):
            if not (over > _DUST_L).any():
                break
            place, week = divmod(int(over.argmax()), self.search.weeks)
            tried = [
                self._tried(plans, fluid, limits[fluid.code], week, float(over[place, week]))
                for fluid in self._most_to_give(plans, self.all[place], week)
            ]
            gains = [(float((over - self.over_l(own)).sum()), limit, own) for limit, own in tried if own]
            better = [own for own in gains if own[0] > _DUST_L]
            if not better:
                break
            cost = self.search.cost(plans)
            _, limit, after = min(
                better, key=lambda own: ((self.search.cost(own[2]) - cost) / own[0], -own[0])
            )
            code = next(code for code, plan in after.items() if plan is not plans[code])
            limits[code], plans, over = limit, after, self.over_l(after)
        return plans

    def _most_to_give(self, plans: Plans, room: Room, week: int) -> list[FluidTables]:
        give = {
            code: float(plans[code].full_l[week] - self.least_of[code][week])
            for code in sorted(room.fluids & self.least_of.keys())
        }
        most = sorted((code for code in give if give[code] > _DUST_L), key=lambda code: -give[code])
        return [self.fluids[code] for code in most[:FLUIDS_PRESSED]]

    def _tried(
        self, plans: Plans, fluid: FluidTables, limit_l: FloatArray, week: int, over_l: float
    ) -> tuple[FloatArray, Plans | None]:
        """Plan one fluid anew with so many litres less in a week, or as few as can be."""
        now_l, least_l = float(plans[fluid.code].full_l[week]), float(self.least_of[fluid.code][week])
        limit_l = limit_l.copy()
        limit_l[week] = max(now_l - over_l, least_l)
        plan: LotPlan | None = self.search.again(fluid, plans, Squeeze(np.zeros_like(limit_l), limit_l))
        return limit_l, None if plan is None else {**plans, fluid.code: plan}
