"""Orders of many fluids from a few suppliers over the weeks ahead, with a proved bound on what they could cost less.

One order to a supplier costs a fixed sum however many fluids are in it, so fluids share their weeks. For given weeks
in which a supplier is ordered from, each fluid's lots are exact (`lot_sizing`); the weeks are searched. Whatever the
weeks, no plan costs less than the fluids apart, the fixed cost of a supplier laid on one of them: that is the bound.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf

import numpy as np

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import FloatArray, LitresAhead, Lot, LotPlan, LotSizing, Offer

CYCLES_WEEKS = (1, 2, 3, 4, 6, 8, 13)
"""Regular rhythms tried first; the best is then thinned out week by week."""

_DUST = 1e-6


@dataclass(frozen=True, slots=True)
class Source:
    """A supplier as a plan sees him.

    Attributes:
        name: who.
        first_week: first week at whose start an order placed today can have come.
        order_cost, freight: money for one order; freight is nothing from `free_freight_from` on, None: always paid.
        least_l, least_cost: least of one order.
    """

    name: str
    first_week: int
    order_cost: float = 0.0
    freight: float = 0.0
    free_freight_from: float | None = None
    least_l: float = 0.0
    least_cost: float = 0.0

    def fixed_cost(self, value: float) -> float:
        """Return what an order of packs worth `value` costs besides them."""
        is_free = self.free_freight_from is not None and value >= self.free_freight_from - _DUST
        return self.order_cost + (0.0 if is_free else self.freight)

    @property
    def surely_paid(self) -> float:
        """What every order costs besides its packs, however large."""
        return self.order_cost + (self.freight if self.free_freight_from is None else 0.0)


@dataclass(frozen=True, slots=True)
class FluidAhead:
    """One fluid: its weeks, and the packs each source sells, by the source's place."""

    code: str
    ahead: LitresAhead
    packs: Mapping[int, tuple[Pack, ...]]


@dataclass(frozen=True, slots=True)
class PlannedOrder:
    """One order to a source: the week at whose start it arrives, its lots by fluid, its value and fixed cost.

    short_l, short_cost: what it lacks to the source's least.
    """

    source: int
    week: int
    lots: tuple[tuple[str, Lot], ...]
    litres: float
    value: float
    fixed_cost: float
    short_l: float
    short_cost: float


@dataclass(frozen=True, slots=True)
class FluidPlan:
    """One fluid's part: its usual source, its lots, and litres it lacks by week before anything can arrive.

    cannot_say: why there is no plan; empty when there is one.
    """

    code: str
    source: int | None
    plan: LotPlan | None
    unmet_l: FloatArray
    cannot_say: str = ""


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """All orders, earliest first, what they cost, and what they could cost at the very least.

    Attributes:
        orders, fluids: the plan by order and by fluid.
        cost: packs, orders, freight and keeping, less the worth of what is left over.
        bound: no plan costs less.
    """

    orders: tuple[PlannedOrder, ...]
    fluids: tuple[FluidPlan, ...]
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the cost that is not proved to be needed, 0 to 1."""
        return max(0.0, self.cost - self.bound) / self.cost if self.cost > _DUST else 0.0


@dataclass(slots=True)
class _Fluid:
    """A fluid with its tables while the weeks are searched."""

    code: str
    sizing: LotSizing
    sources: tuple[int, ...]
    unmet_l: FloatArray
    usual: int = 0
    raised_l: dict[tuple[int, int], float] = field(default_factory=dict)


_Weeks = dict[int, frozenset[int]]
_Plans = dict[str, LotPlan]


def plan_orders(fluids: Sequence[FluidAhead], sources: Sequence[Source]) -> OrderPlan:
    """Plan the orders of all fluids.

    A fluid is bought from its usual source, the one that is cheapest for it alone; another comes in only before the
    usual one can deliver. What no source can bring in time is not planned for but said, in `unmet_l`. An order below a
    source's least is merged or raised where that helps, else it says what it lacks.
    """
    weeks = max((len(own.ahead.drawn_l) for own in fluids), default=0)
    ready, refused = [], []
    for fluid in fluids:
        made = _prepared(fluid, sources)
        if isinstance(made, _Fluid):
            ready.append(made)
        else:
            refused.append(made)
    search = _Search(ready, sources, weeks)
    plans = search.raised(*search.best())
    done = [FluidPlan(own.code, own.usual, plans[own.code], own.unmet_l) for own in ready]
    by_code = {own.code: own for own in (*done, *refused)}
    return OrderPlan(
        tuple(search.orders(plans)),
        tuple(by_code[fluid.code] for fluid in fluids),
        search.cost(plans),
        search.bound(),
    )


def _prepared(fluid: FluidAhead, sources: Sequence[Source]) -> _Fluid | FluidPlan:
    """Return a fluid's tables; without packs or with sizes too odd, why it has no plan."""
    weeks = len(fluid.ahead.required_l)
    places = tuple(sorted(place for place, packs in fluid.packs.items() if packs))
    nothing = np.zeros(weeks)
    short_l = np.maximum(fluid.ahead.required_l - fluid.ahead.at_hand_l, 0.0)
    if not places:
        reason = "" if short_l.max(initial=0.0) <= _DUST else "No supplier sells it with a price; add a pack."
        return FluidPlan(fluid.code, None, None, short_l, reason)
    first = min(sources[place].first_week for place in places)
    unmet_l = np.where(np.arange(weeks) < first, short_l, 0.0)
    ahead = replace(fluid.ahead, required_l=fluid.ahead.required_l - unmet_l)
    offers = [Offer(sources[place].name, fluid.packs[place], nothing) for place in places]
    try:
        made = _Fluid(fluid.code, LotSizing(ahead, offers), places, unmet_l)
    except ValueError as error:
        return FluidPlan(fluid.code, None, None, unmet_l, str(error))
    made.usual = places[_usual(made, sources, weeks)]
    return made


def _usual(fluid: _Fluid, sources: Sequence[Source], weeks: int) -> int:
    """Return the place, among a fluid's sources, of the one that costs least for this fluid alone."""
    costs = []
    for place, source in enumerate(fluid.sources):
        own = sources[source]
        alone = [np.full(weeks, inf) for _ in fluid.sources]
        for other, costs_of in zip(fluid.sources, alone, strict=True):
            if sources[other].first_week < own.first_week:
                costs_of[sources[other].first_week : own.first_week] = sources[other].fixed_cost(0.0)
        alone[place][own.first_week :] = own.fixed_cost(0.0)
        plan = fluid.sizing.best(alone)
        costs.append((inf if plan is None else plan.cost, own.first_week, place))
    return min(costs)[2]


class _Search:
    """The search for the weeks in which each source is ordered from."""

    def __init__(self, fluids: Sequence[_Fluid], sources: Sequence[Source], weeks: int) -> None:
        self.fluids, self.sources, self.weeks = list(fluids), sources, weeks

    def best(self) -> tuple[_Weeks, _Plans]:
        """Try the rhythms, keep the cheapest, and take away weeks as long as that saves money."""
        found = [own for own in (self._tried(self._apart()), *self._rhythms()) if own is not None]
        chosen, plans = min(found, key=lambda own: self.cost(own[1]))
        is_better = True
        while is_better:
            is_better = False
            for order in reversed(self.orders(plans)):
                fewer = {**chosen, order.source: chosen[order.source] - {order.week}}
                tried = self._plans(fewer, plans, (order.source, order.week), order.fixed_cost)
                if tried is not None and self.cost(tried) < self.cost(plans) - _DUST:
                    chosen, plans, is_better = self._used(tried), tried, True
        return chosen, plans

    def _rhythms(self) -> list[tuple[_Weeks, _Plans]]:
        """Return plans of ever slower rhythms, until they cost more than the one before."""
        found: list[tuple[_Weeks, _Plans]] = []
        for cycle in CYCLES_WEEKS:
            tried = self._tried(self._rhythm(cycle))
            if tried is not None:
                found.append(tried)
                if len(found) > 1 and self.cost(tried[1]) > self.cost(found[-2][1]):
                    break
        return found

    def _rhythm(self, cycle: int) -> _Weeks:
        return {
            place: frozenset(range(own.first_week, self.weeks, cycle))
            for place, own in enumerate(self.sources)
        }

    def _apart(self) -> _Weeks:
        """Return the weeks in which fluids would order if each paid for its orders alone."""
        weeks: dict[int, set[int]] = {place: {own.first_week} for place, own in enumerate(self.sources)}
        every = self._rhythm(1)
        for fluid in self.fluids:
            price = self.sources[fluid.usual].fixed_cost(0.0)
            plan = fluid.sizing.best(self._costs(fluid, every, price), fluid.raised_l)
            for lot in plan.lots if plan is not None else ():
                weeks[fluid.sources[lot.offer]].add(lot.week)
        return {place: frozenset(own) for place, own in weeks.items()}

    def _tried(self, weeks: _Weeks) -> tuple[_Weeks, _Plans] | None:
        """Return the plans under these weeks with the weeks they use; None where a fluid has none."""
        plans = self._plans(weeks, {}, None)
        return None if plans is None else (self._used(plans), plans)

    def _plans(
        self, weeks: _Weeks, before: _Plans, taken: tuple[int, int] | None, saved: float = inf
    ) -> _Plans | None:
        """Plan each fluid under these weeks; those that did not order in the week taken away keep their plan.

        saved: what leaving that week out saves; None comes back as soon as the fluids cost more than that.
        """
        plans = {}
        for fluid in self.fluids:
            held = before.get(fluid.code)
            if held is not None and not any(
                (fluid.sources[own.offer], own.week) == taken for own in held.lots
            ):
                plans[fluid.code] = held
                continue
            plan = fluid.sizing.best(self._costs(fluid, weeks), fluid.raised_l)
            if plan is None:
                return None
            if held is not None:
                saved -= _without_orders(plan) - _without_orders(held)
                if saved < 0:
                    return None
            plans[fluid.code] = plan
        return plans

    def _costs(self, fluid: _Fluid, weeks: _Weeks, price: float = 0.0) -> list[FloatArray]:
        """Return the cost of an order for each of a fluid's offers: the usual source's in its weeks, others before."""
        usual_from = self.sources[fluid.usual].first_week
        costs = []
        for source in fluid.sources:
            own, first = np.full(self.weeks, inf), self.sources[source].first_week
            if source == fluid.usual:
                own[sorted(weeks[source])] = price
            elif first < usual_from:
                own[first:usual_from] = self.sources[source].fixed_cost(0.0)
            costs.append(own)
        return costs

    def _used(self, plans: _Plans) -> _Weeks:
        used: dict[int, set[int]] = {place: set() for place in range(len(self.sources))}
        for fluid in self.fluids:
            for lot in plans[fluid.code].lots:
                used[fluid.sources[lot.offer]].add(lot.week)
        return {place: frozenset(own) for place, own in used.items()}

    def orders(self, plans: _Plans) -> list[PlannedOrder]:
        """Put the lots of one source and week together, earliest first."""
        grouped: dict[tuple[int, int], list[tuple[str, Lot]]] = {}
        for fluid in self.fluids:
            for lot in plans[fluid.code].lots:
                grouped.setdefault((lot.week, fluid.sources[lot.offer]), []).append((fluid.code, lot))
        orders = []
        for (week, place), lots in sorted(grouped.items()):
            source, litres = self.sources[place], sum(lot.litres for _, lot in lots)
            value = sum(lot.price for _, lot in lots)
            orders.append(
                PlannedOrder(
                    place, week, tuple(lots), litres, value, source.fixed_cost(value),
                    max(0.0, source.least_l - litres), max(0.0, source.least_cost - value),
                )
            )  # fmt: skip
        return orders

    def cost(self, plans: _Plans) -> float:
        """Return the money of a plan, each order's fixed cost counted once."""
        return sum(_without_orders(own) for own in plans.values()) + sum(
            order.fixed_cost for order in self.orders(plans)
        )

    def raised(self, chosen: _Weeks, plans: _Plans) -> _Plans:
        """Mend orders below their source's least: left to another week, or one lot made larger, what is cheaper."""
        while (short := self._first_short(plans)) is not None:
            fewer = {**chosen, short.source: chosen[short.source] - {short.week}}
            options = [
                ({}, self._plans(fewer, plans, (short.source, short.week))),
                *self._larger(chosen, plans, short),
            ]
            better = [
                (raised, tried)
                for raised, tried in options
                if tried is not None and self._lacking(tried) < self._lacking(plans) - _DUST
            ]
            if not better:
                break
            raised, plans = min(better, key=lambda own: self.cost(own[1]))
            chosen = self._used(plans)
            for fluid in self.fluids:
                fluid.raised_l.update(raised.get(fluid.code, {}))
        return plans

    def _first_short(self, plans: _Plans) -> PlannedOrder | None:
        return next(
            (own for own in self.orders(plans) if own.short_l > _DUST or own.short_cost > _DUST), None
        )

    def _lacking(self, plans: _Plans) -> float:
        return sum(own.short_l + own.short_cost for own in self.orders(plans))

    def _larger(
        self, chosen: _Weeks, plans: _Plans, short: PlannedOrder
    ) -> list[tuple[dict[str, dict[tuple[int, int], float]], _Plans | None]]:
        """Return, for each lot of an order, the plan in which it fills the order up."""
        found: list[tuple[dict[str, dict[tuple[int, int], float]], _Plans | None]] = []
        for code, lot in short.lots:
            fluid = next(own for own in self.fluids if own.code == code)
            litres = lot.litres + max(short.short_l, short.short_cost * lot.litres / lot.price)
            raised = {(lot.offer, lot.week): litres}
            plan = fluid.sizing.best(self._costs(fluid, chosen), fluid.raised_l | raised)
            if plan is not None:
                found.append(({code: raised}, {**plans, code: plan}))
        return found

    def bound(self) -> float:
        """Return what no plan can cost less than.

        Every order costs its source's sure part whoever is in it. Laying that on the one fluid that orders most often
        from the source, and nothing on the others, counts no order twice: the fluids apart, each exact, are then
        together no dearer than any plan. (Lagrangian relaxation of “whoever orders, the order is paid”.)
        """
        every = self._rhythm(1)
        laid: dict[str, dict[int, float]] = {own.code: {} for own in self.fluids}
        least = {own.code: own.sizing.best(self._any_source(own, every, {})) for own in self.fluids}
        for place, source in enumerate(self.sources):
            often, orders = None, 0
            for fluid in self.fluids:
                plan = least[fluid.code]
                own_orders = (
                    sum(fluid.sources[lot.offer] == place for lot in plan.lots) if plan is not None else 0
                )
                if own_orders > orders:
                    often, orders = fluid, own_orders
            if often is not None:
                laid[often.code][place] = source.surely_paid
                least[often.code] = often.sizing.best(self._any_source(often, every, laid[often.code]))
        return sum(plan.cost for plan in least.values() if plan is not None)

    def _any_source(self, fluid: _Fluid, every: _Weeks, laid: Mapping[int, float]) -> list[FloatArray]:
        costs = []
        for source in fluid.sources:
            own = np.full(self.weeks, inf)
            own[sorted(every[source])] = laid.get(source, 0.0)
            costs.append(own)
        return costs


def _without_orders(plan: LotPlan) -> float:
    return plan.packs_cost + plan.holding_cost - plan.left_over_worth
