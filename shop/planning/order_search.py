"""The search for the weeks in which each supplier is ordered from, and the bound on what they could cost less."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

from shop.planning.lot_sizing import FloatArray, Lot, LotPlan, LotSizing, Squeeze
from shop.planning.steps import Step, Steps

CYCLES_WEEKS = (1, 2, 3, 4, 6, 8, 13)
"""Regular rhythms tried first; the best is then thinned out week by week."""

_DUST = 1e-6
_Weeks = dict[int, frozenset[int]]
Plans = dict[str, LotPlan]


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

    def lacking_share(self, order: "PlannedOrder") -> float:
        """Return what an order lacks, as shares of the least litres and the least cost, 0 to 2."""
        of_litres = order.short_l / self.least_l if self.least_l else 0.0
        return of_litres + (order.short_cost / self.least_cost if self.least_cost else 0.0)

    @property
    def surely_paid(self) -> float:
        """What every order costs besides its packs, however large."""
        return self.order_cost + (self.freight if self.free_freight_from is None else 0.0)


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


@dataclass(slots=True)
class FluidTables:
    """A fluid with its tables while the weeks are searched."""

    code: str
    sizing: LotSizing
    sources: tuple[int, ...]
    unmet_l: FloatArray
    left_out: tuple[str, ...]
    usual: int = 0
    raised_l: dict[tuple[int, int], float] = field(default_factory=dict)
    squeeze: Squeeze | None = None


class OrderSearch:
    """The search for the weeks in which each source is ordered from."""

    def __init__(self, fluids: Sequence[FluidTables], sources: Sequence[Source], weeks: int) -> None:
        self.fluids, self.sources, self.weeks = list(fluids), sources, weeks
        self.bounding: Plans = {}
        self._known: dict[tuple[object, ...], LotPlan | None] = {}

    def best(self) -> Steps[tuple[_Weeks, Plans]]:
        """Choose each fluid's source as if it paid for its orders alone, and as if they were free; keep the better."""
        found = []
        for is_alone in (True, False):
            shared = "" if is_alone else ", orders shared"
            for place, fluid in enumerate(self.fluids, 1):
                yield Step(f"supplier for {fluid.code}{shared}", place, len(self.fluids))
                fluid.usual = self._cheapest_source(fluid, is_alone=is_alone)
            yield Step("Trying how often to order…")
            chosen, plans = self._begun()
            found.append((self.cost(plans), chosen, plans, [own.usual for own in self.fluids]))
            if all(len(own.sources) == 1 for own in self.fluids):
                break
        _, chosen, plans, usual = min(found, key=lambda own: own[0])
        for fluid, source in zip(self.fluids, usual, strict=True):
            fluid.usual = source
        chosen, plans = yield from self._thinned(chosen, plans)
        moved = self._moved(chosen, plans)
        return moved if moved[1] is plans else (yield from self._thinned(*moved))

    def _cheapest_source(self, fluid: FluidTables, *, is_alone: bool) -> int:
        costs = []
        for source in fluid.sources:
            fluid.usual, own = source, self.sources[source]
            plan = self._lots(fluid, self._rhythm(1), own.fixed_cost(0.0) if is_alone else 0.0)
            costs.append((inf if plan is None else plan.cost, own.first_week, source))
        return min(costs)[2]

    def _begun(self) -> tuple[_Weeks, Plans]:
        found = [own for own in (self._tried(self._apart()), *self._rhythms()) if own is not None]
        return min(found, key=lambda own: self.cost(own[1]))

    def _thinned(self, chosen: _Weeks, plans: Plans) -> Steps[tuple[_Weeks, Plans]]:
        """Take away weeks as long as that saves money."""
        is_better = True
        while is_better:
            is_better = False
            yield Step("Trying to do with fewer orders…")
            orders = self.orders(plans)
            for place, order in enumerate(reversed(orders), 1):
                yield Step("order done without", place, len(orders))
                fewer = {**chosen, order.source: chosen[order.source] - {order.week}}
                tried = self._plans(fewer, plans, (order.source, order.week), order.fixed_cost)
                if tried is not None and self.cost(tried) < self.cost(plans) - _DUST:
                    chosen, plans, is_better = self._used(tried), tried, True
        return chosen, plans

    def _moved(self, chosen: _Weeks, plans: Plans) -> tuple[_Weeks, Plans]:
        """Move fluids to another source's orders where that costs less in all."""
        for fluid in self.fluids:
            for source in fluid.sources:
                if source == fluid.usual or not chosen[source]:
                    continue
                before, fluid.usual = fluid.usual, source
                plan = self._lots(fluid, chosen)
                tried = None if plan is None else {**plans, fluid.code: plan}
                if tried is not None and self.cost(tried) < self.cost(plans) - _DUST:
                    chosen, plans = self._used(tried), tried
                else:
                    fluid.usual = before
        return chosen, plans

    def _rhythms(self) -> list[tuple[_Weeks, Plans]]:
        """Return plans of ever slower rhythms, until they cost more than the one before."""
        found: list[tuple[_Weeks, Plans]] = []
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
            plan = self._lots(fluid, every, price)
            for lot in plan.lots if plan is not None else ():
                weeks[fluid.sources[lot.offer]].add(lot.week)
        return {place: frozenset(own) for place, own in weeks.items()}

    def _tried(self, weeks: _Weeks) -> tuple[_Weeks, Plans] | None:
        """Return the plans under these weeks with the weeks they use; None where a fluid has none."""
        plans = self._plans(weeks, {}, None)
        return None if plans is None else (self._used(plans), plans)

    def _plans(
        self, weeks: _Weeks, before: Plans, taken: tuple[int, int] | None, saved: float = inf
    ) -> Plans | None:
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
            plan = self._lots(fluid, weeks)
            if plan is None:
                return None
            if held is not None:
                saved -= _without_orders(plan) - _without_orders(held)
                if saved < 0:
                    return None
            plans[fluid.code] = plan
        return plans

    def _costs(self, fluid: FluidTables, weeks: _Weeks, price: float = 0.0) -> list[FloatArray]:
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

    def _lots(self, fluid: FluidTables, weeks: _Weeks, price: float = 0.0) -> LotPlan | None:
        """Return a fluid's exact lots under these weeks; what was worked out once is not worked out again."""
        raised = tuple(sorted(fluid.raised_l.items()))
        key = (fluid.code, fluid.usual, weeks[fluid.usual], price, raised)
        if key not in self._known:
            costs = self._costs(fluid, weeks, price)
            self._known[key] = fluid.sizing.best(costs, fluid.raised_l, fluid.squeeze)
        return self._known[key]

    def squeezed(self, squeezes: Mapping[str, Squeeze]) -> None:
        """Press fluids' stock down from here on; what was worked out without is forgotten."""
        for fluid in self.fluids:
            if fluid.code in squeezes:
                fluid.squeeze = squeezes[fluid.code]
        self._known = {key: plan for key, plan in self._known.items() if key[0] not in squeezes}

    def again(
        self, fluid: FluidTables, plans: Plans, squeeze: Squeeze, barred: tuple[int, int] | None = None
    ) -> LotPlan | None:
        """Return a fluid's best lots under a squeeze where the others order as planned.

        An order they give anyway costs the fluid nothing, another one in full; barred: source and week of one it must
        not be in.
        """
        own = self._costs(fluid, self._rhythm(1), self.sources[fluid.usual].fixed_cost(0.0))
        shared = self._used({code: plan for code, plan in plans.items() if code != fluid.code})
        for costs, source in zip(own, fluid.sources, strict=True):
            weeks = [week for week in shared[source] if costs[week] < inf]
            costs[weeks] = 0.0
            if barred is not None and barred[0] == source:
                costs[barred[1]] = inf
        return fluid.sizing.best(own, fluid.raised_l, squeeze)

    def _used(self, plans: Plans) -> _Weeks:
        used: dict[int, set[int]] = {place: set() for place in range(len(self.sources))}
        for fluid in self.fluids:
            for lot in plans[fluid.code].lots if fluid.code in plans else ():
                used[fluid.sources[lot.offer]].add(lot.week)
        return {place: frozenset(own) for place, own in used.items()}

    def orders(self, plans: Plans) -> list[PlannedOrder]:
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

    def cost(self, plans: Plans) -> float:
        """Return the money of a plan, each order's fixed cost counted once, with the rent of a squeeze."""
        return sum(_without_orders(own) for own in plans.values()) + sum(
            order.fixed_cost for order in self.orders(plans)
        )

    def raised(self, chosen: _Weeks, plans: Plans) -> Plans:
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

    def _first_short(self, plans: Plans) -> PlannedOrder | None:
        return next(
            (own for own in self.orders(plans) if own.short_l > _DUST or own.short_cost > _DUST), None
        )

    def _lacking(self, plans: Plans) -> float:
        """Return what all orders lack, each as shares of its source's least litres and least cost."""
        return sum(self.sources[own.source].lacking_share(own) for own in self.orders(plans))

    def _larger(
        self, chosen: _Weeks, plans: Plans, short: PlannedOrder
    ) -> list[tuple[dict[str, dict[tuple[int, int], float]], Plans | None]]:
        """Return, for each lot of an order, the plan in which it fills the order up."""
        found: list[tuple[dict[str, dict[tuple[int, int], float]], Plans | None]] = []
        for code, lot in short.lots:
            fluid = next(own for own in self.fluids if own.code == code)
            litres = lot.litres + max(short.short_l, short.short_cost * lot.litres / lot.price)
            raised = {(lot.offer, lot.week): litres}
            plan = fluid.sizing.best(self._costs(fluid, chosen), fluid.raised_l | raised, fluid.squeeze)
            if plan is not None:
                found.append(({code: raised}, {**plans, code: plan}))
        return found

    def bound(self) -> float:
        """Return what no plan can cost less than.

        Every order costs its source's sure part whoever is in it. Laying that on the one fluid that orders most often
        from the source, and nothing on the others, counts no order twice: the fluids apart, each exact, are then
        together no dearer than any plan. (Lagrangian relaxation of “whoever orders, the order is paid”.) Where fluids
        are squeezed the rent is counted in, and what presses them has to take it off again.
        """
        laid: dict[str, dict[int, float]] = {own.code: {} for own in self.fluids}
        self.bounding = {
            own.code: plan for own in self.fluids if (plan := self._bounding_plan(own, {})) is not None
        }
        for place, source in enumerate(self.sources):
            often, orders = None, 0
            for fluid in self.fluids:
                lots = self.bounding[fluid.code].lots if fluid.code in self.bounding else ()
                own_orders = sum(fluid.sources[lot.offer] == place for lot in lots)
                if own_orders > orders:
                    often, orders = fluid, own_orders
            if often is not None:
                laid[often.code][place] = source.surely_paid
                plan = self._bounding_plan(often, laid[often.code])
                if plan is not None:
                    self.bounding[often.code] = plan
        return sum(plan.cost + plan.rent for plan in self.bounding.values())

    def _bounding_plan(self, fluid: FluidTables, laid: Mapping[int, float]) -> LotPlan | None:
        """Return a fluid's best lots from any source in any week, an order costing what is laid on the fluid."""
        key = (fluid.code, "bound", tuple(sorted(laid.items())))
        if key not in self._known:
            costs = []
            for source in fluid.sources:
                own = np.full(self.weeks, inf)
                own[self.sources[source].first_week :] = laid.get(source, 0.0)
                costs.append(own)
            self._known[key] = fluid.sizing.best(costs, squeeze=fluid.squeeze)
        return self._known[key]


def _without_orders(plan: LotPlan) -> float:
    return plan.packs_cost + plan.holding_cost - plan.left_over_worth + plan.rent
