"""Orders of many fluids from a few suppliers over the weeks ahead, with a proved bound on what they could cost less.

One order to a supplier costs a fixed sum however many fluids are in it, so fluids share their weeks. For given weeks
in which a supplier is ordered from, each fluid's lots are exact (`lot_sizing`); the weeks are searched. Whatever the
weeks, no plan costs less than the fluids apart, the fixed cost of a supplier laid on one of them: that is the bound.
Rooms that several fluids share come on top of both (`shared_rooms`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import FloatArray, LitresAhead, LotPlan, LotSizing, Offer
from shop.planning.order_search import FluidTables, OrderSearch, PlannedOrder, Source
from shop.planning.shared_rooms import Room, RoomPlan, fit_rooms
from shop.planning.steps import Step, Steps

__all__ = [
    "FluidAhead", "FluidPlan", "OrderPlan", "PlannedOrder", "Room", "RoomPlan", "Source", "plan_orders",
]  # fmt: skip

EVEN_ML = 500
"""Where sizes have no common measure worth planning with, sources of packs not in half litres are left out."""

_DUST = 1e-6


@dataclass(frozen=True, slots=True)
class FluidAhead:
    """One fluid: its weeks, and the packs each source sells, by the source's place."""

    code: str
    ahead: LitresAhead
    packs: Mapping[int, tuple[Pack, ...]]


@dataclass(frozen=True, slots=True)
class FluidPlan:
    """One fluid's part: its usual source, its lots, and litres it lacks by week before anything can arrive.

    cannot_say: why there is no plan; empty when there is one. left_out: sources whose odd sizes were left out.
    """

    code: str
    source: int | None
    plan: LotPlan | None
    unmet_l: FloatArray
    cannot_say: str = ""
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """All orders, earliest first, what they cost, and what they could cost at the very least.

    Attributes:
        orders, fluids: the plan by order and by fluid.
        cost: packs, orders, freight and keeping, less the worth of what is left over.
        bound: no plan costs less; where rooms are shared, no plan that fits them as this one does.
        rooms: what stands in each shared room.
    """

    orders: tuple[PlannedOrder, ...]
    fluids: tuple[FluidPlan, ...]
    cost: float
    bound: float
    rooms: tuple[RoomPlan, ...] = ()

    @property
    def spent(self) -> float:
        """Money for packs, orders and freight."""
        return sum(order.value + order.fixed_cost for order in self.orders)

    @property
    def gap(self) -> float:
        """What a better plan could save at most, as a share of the money spent."""
        return max(0.0, self.cost - self.bound) / self.spent if self.orders else 0.0


def plan_orders(
    fluids: Sequence[FluidAhead], sources: Sequence[Source], rooms: Sequence[Room] = ()
) -> Steps[OrderPlan]:
    """Plan the orders of all fluids, step by step.

    A fluid is bought from one usual source, chosen with the plan; another comes in only before the usual one can
    deliver. What no source can bring in time is not planned for but said, in `unmet_l`. An order below a
    source's least is merged or raised where that helps, else it says what it lacks. A room several fluids share is
    kept, at the price of smaller orders, as far as any plan can.
    """
    weeks = max((len(own.ahead.drawn_l) for own in fluids), default=0)
    ready, refused = [], []
    for fluid in fluids:
        made = _prepared(fluid, sources)
        if isinstance(made, FluidTables):
            ready.append(made)
        else:
            refused.append(made)
    search = OrderSearch(ready, sources, weeks)
    unplanned_l = {
        own.code: np.maximum(own.ahead.at_hand_l - np.concatenate([[0.0], own.ahead.drawn_l[:-1]]), 0.0)
        for own in fluids
        if own.code in {one.code for one in refused}
    }
    yield Step("Choosing suppliers…")
    raised = search.raised(*(yield from search.best()))
    fitted = yield from fit_rooms(search, raised, rooms, unplanned_l)
    yield Step("Putting the orders together…")
    plans = fitted.plans
    done = [
        FluidPlan(own.code, own.usual, plans[own.code], own.unmet_l, left_out=own.left_out) for own in ready
    ]
    by_code = {own.code: own for own in (*done, *refused)}
    return OrderPlan(
        tuple(search.orders(plans)),
        tuple(by_code[fluid.code] for fluid in fluids),
        search.cost(plans),
        fitted.bound,
        fitted.rooms,
    )


def _prepared(fluid: FluidAhead, sources: Sequence[Source]) -> FluidTables | FluidPlan:
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
    even = tuple(place for place in places if not any(pack.lot_ml % EVEN_ML for pack in fluid.packs[place]))
    odd = tuple(sources[place].name for place in places if place not in even)
    for kept, left_out in ((places, ()), (even, odd)):
        offers = [Offer(sources[place].name, fluid.packs[place], nothing) for place in kept]
        try:
            return FluidTables(fluid.code, LotSizing(ahead, offers), kept, unmet_l, left_out, kept[0])
        except ValueError as error:
            reason = str(error)
    return FluidPlan(fluid.code, None, None, unmet_l, reason)
