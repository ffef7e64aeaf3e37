"""The orders of the weeks ahead, per shelf: what to order from whom in which week, at least cost, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from decimal import Decimal

import numpy as np

from shop import clock
from shop.errors import InputError
from shop.models import Depot, OrderedLine, Person, Product, ProposedLine, StockItem, Supplier
from shop.planning.lot_sizing import FloatArray, LitresAhead, Lot
from shop.planning.order_plan import (
    FluidAhead,
    FluidPlan,
    OrderPlan,
    PlannedOrder,
    Room,
    RoomPlan,
    Source,
    plan_orders,
)
from shop.planning.pack_costs import KEEPING_SHARE_PER_YEAR
from shop.planning.packs import CREDIT_SHARE
from shop.planning.steps import Step, Steps
from shop.planning.suppliers import (
    arrives_on,
    latest_order_day,
    working_days_back,
    working_days_forward,
)
from shop.planning.weeks import (
    JobsByWeek,
    WeeklyNeed,
    exposed_weeks,
    pool_weeks,
    required_l,
    usable_l,
    week_begins,
    week_of,
    weeks_of_months,
)
from shop.selectors.needs import DAYS_A_MONTH
from shop.selectors.needs_ahead import ProductAhead, jobs_by_week
from shop.selectors.offers import Offer, offers_to
from shop.selectors.order_plan_jobs import JobShown, UnitsCalled, jobs_shown, units_shown, unplanned_shown
from shop.selectors.order_plan_words import (
    MOST_NAMED,
    against_words,
    fluid_words,
    plan_words,
    room_words,
    waits_for,
    why_lot,
)
from shop.selectors.shelf import is_usable, last_day, shelves_of
from shop.selectors.stock import shelves_seen
from shop.selectors.store_rooms import rooms_now

WEEKS, LEAST_WEEKS, MOST_WEEKS = 26, 4, 52
HOUSE_ORDER_COST = 15.0
"""Writing, receiving and paying one order where the supplier has no figure of his own, in the depot's money. House
default."""


@dataclass(frozen=True, slots=True)
class FluidShown:
    """One product's weeks: what is taken, what has to be at hand, what stands there after the planned orders.

    jobs, unplanned: the first of those that were counted and of those that were not; the counts are of all.
    """

    product: Product
    supplier: Supplier | None
    need: WeeklyNeed
    required_l: FloatArray
    at_hand_l: FloatArray
    shelf_l: FloatArray
    lots: tuple[Lot, ...]
    jobs: tuple[JobShown, ...]
    jobs_count: int
    unplanned: tuple[str, ...]
    unplanned_count: int
    unmet_l: FloatArray
    cannot_say: str
    sentence: str

    def bought_l(self, week: int) -> float:
        """Litres that come at the start of a week."""
        return sum(lot.litres for lot in self.lots if lot.week == week)


@dataclass(frozen=True, slots=True)
class LotShown:
    """One product in an order, and why it is there."""

    product: Product
    lot: Lot
    why: str


@dataclass(frozen=True, slots=True)
class OrderShown:
    """One planned order with its days; `notes` say what it lacks to the supplier's least and what freight costs."""

    supplier: Supplier
    order_by: date
    arrives_by: date
    week: int
    lots: tuple[LotShown, ...]
    litres: float
    value: float
    fixed_cost: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RoomShown:
    """One shared room: the products that stand in it, and what the plan puts there week by week."""

    products: tuple[str, ...]
    room: RoomPlan
    sentence: str


@dataclass(frozen=True, slots=True)
class ShelfPlan:
    """The plan of one shelf."""

    depot: Depot
    as_of: date
    begins: tuple[date, ...]
    orders: tuple[OrderShown, ...]
    fluids: tuple[FluidShown, ...]
    rooms: tuple[RoomShown, ...]
    plan: OrderPlan
    sentence: str
    against_list: tuple[str, ...]


def order_plans(person: Person, weeks: int = WEEKS) -> Steps[list[ShelfPlan]]:
    """Plan the orders of every shelf that serves the person's depots, step by step. Nothing is stored.

    Raises InputError for a number of weeks outside 4 to 52.
    """
    if not LEAST_WEEKS <= weeks <= MOST_WEEKS:
        sentence = f"{weeks} weeks cannot be planned; ask for {LEAST_WEEKS} to {MOST_WEEKS}."
        raise InputError(sentence, fields={"weeks": sentence})
    plans: list[ShelfPlan] = []
    shelves = shelves_seen(person)
    if not shelves:
        yield Step("No shelf to plan for.")
    for depot in shelves:
        plans.append((yield from _shelf_plan(depot, weeks)))
    return plans


def _shelf_plan(depot: Depot, weeks: int) -> Steps[ShelfPlan]:
    yield Step(f"{depot.name}: reading the jobs ahead…")
    as_of, now = clock.today(depot.time_zone), clock.local_time(depot.time_zone)
    begins = week_begins(as_of, weeks)
    served = [depot.pk, *Depot.objects.filter(stores_at=depot).values_list("pk", flat=True)]
    offers = offers_to(depot)
    ahead = jobs_by_week(as_of, served, begins)
    suppliers = {offer.row.pk: offer for own in offers.values() for offer in own}
    places = {pk: place for place, pk in enumerate(sorted(suppliers))}
    sources = [_source(suppliers[pk], as_of, now, begins) for pk in sorted(suppliers)]
    shelf = _AtHand(depot, as_of, begins, [own.jobs.unit for own in ahead.values()])
    products = Product.objects.filter(pk__in={*ahead, *shelf.products}).order_by("code")
    none = ProductAhead(JobsByWeek.none(weeks))
    drafts = [
        _draft(product, ahead.get(product.pk, none), offers.get(product.pk, []), shelf, as_of, begins, places)
        for product in products
    ]
    rooms = _rooms_of(depot, shelf)
    plan = yield from plan_orders([own.fluid for own in drafts], sources, rooms)
    by_place = {place: suppliers[pk] for pk, place in places.items()}
    pairs = list(zip(drafts, plan.fluids, strict=True))
    lots = [(draft, own, lot) for draft, own in pairs if own.plan for lot in own.plan.lots]
    waiting = [
        waits_for(lot, own.plan.lots, _lacking_l(draft, own), draft.ahead.jobs) for draft, own, lot in lots
    ]
    told = [unit for units in waiting for unit in units[:MOST_NAMED]]
    called = UnitsCalled([*told, *(unit for draft in drafts for unit in units_shown(draft.ahead))])
    fluids = tuple(_fluid_shown(draft, own, by_place, called, begins) for draft, own in pairs)
    why = {
        (draft.product.code, lot.week): why_lot(
            lot, own.plan.lots, _lacking_l(draft, own), own.plan.shelf_l, units, called.labels, begins
        )
        for (draft, own, lot), units in zip(lots, waiting, strict=True)
    }
    by_code = {own.product.code: own.product for own in fluids}
    orders = tuple(_order_shown(order, by_place, by_code, why, begins) for order in plan.orders)
    return ShelfPlan(
        depot, as_of, begins, orders, fluids,
        tuple(
            RoomShown(tuple(sorted(room.fluids)), own, room_words(own, begins))
            for room, own in zip(rooms, plan.rooms, strict=True)
        ),
        plan, plan_words(plan, weeks, depot.currency), _against_list(depot, orders),
    )  # fmt: skip


def _rooms_of(depot: Depot, shelf: "_AtHand") -> list[Room]:
    """Return the shared rooms; what stands in them and is not free (set aside, reserved) takes its place."""
    found = []
    for own in rooms_now([depot]):
        apart_l = sum(max(0.0, stands_l - shelf.free_l(pk)) for pk, stands_l in own.stands_l.items())
        found.append(Room(own.room.name, own.room.most_l, own.codes, apart_l))
    return found


def _source(offer: Offer, as_of: date, now: time, begins: Sequence[date]) -> Source:
    """Return a supplier as the plan sees him: a delivery serves the weeks that begin after the day it comes."""
    comes = arrives_on(as_of, now, offer.figures)
    on_shelf = working_days_forward(comes, 1, offer.figures.closed_days)
    first = next((week for week, begin in enumerate(begins) if week and begin >= on_shelf), len(begins))
    row = offer.row
    return Source(
        row.name, first, HOUSE_ORDER_COST if row.order_cost is None else float(row.order_cost),
        float(row.freight_cost or 0), None if row.free_freight_from is None else float(row.free_freight_from),
        row.minimum_l or 0.0, float(row.minimum_cost or 0),
    )  # fmt: skip


class _AtHand:
    """What a shelf holds today and until when, and what is on the way."""

    def __init__(
        self, depot: Depot, as_of: date, begins: Sequence[date], pooled: Sequence[FloatArray]
    ) -> None:
        self.as_of, self.begins = as_of, begins
        reserved = set(depot.reservations.values_list("unit", flat=True))
        units = {pk for own in pooled for pk in own[np.isin(own, list(reserved))].astype(int).tolist()}
        self.sums = shelves_of(depot.pk, as_of, {}, units)
        self.dated: dict[int, list[tuple[int, float]]] = {}
        for item in StockItem.objects.filter(depot=depot, on_shelf_l__gt=0).select_related("product"):
            ends = last_day(item)
            if ends is not None and is_usable(item, as_of):
                self.dated.setdefault(item.product_id, []).append(
                    (week_of(ends, begins) - (ends < _week_end(ends, begins)), item.on_shelf_l)
                )
        self.coming: dict[int, FloatArray] = {}
        for line in OrderedLine.objects.filter(depot=depot, is_open=True):
            if line.coming_on >= as_of:
                arriving = self.coming.setdefault(line.product_id, np.zeros(len(begins)))
                arriving[min(week_of(line.coming_on, begins) + 1, len(begins)) :] += line.outstanding_l

    @property
    def products(self) -> set[int]:
        """Products on the shelf or on the way."""
        return {*self.sums, *self.coming}

    def free_l(self, product_pk: int) -> float:
        """Litres free today."""
        shelf = self.sums.get(product_pk)
        return shelf.litres.free_l if shelf else 0.0

    def by_week(self, product_pk: int, drawn_l: FloatArray) -> FloatArray:
        """Return (T,) litres at hand without new orders, what spoils before its use taken off."""
        kept = usable_l(self.free_l(product_pk), self.dated.get(product_pk, []), drawn_l)
        return kept + self.coming.get(product_pk, 0.0)


def _week_end(day: date, begins: Sequence[date]) -> date:
    week = week_of(day, begins)
    following = begins[week + 1] if week + 1 < len(begins) else begins[-1] + timedelta(days=7)
    return following - timedelta(days=1)


@dataclass(frozen=True, slots=True)
class _Draft:
    product: Product
    need: WeeklyNeed
    ahead: ProductAhead
    fluid: FluidAhead


def _draft(
    product: Product,
    coming: ProductAhead,
    offers: list[Offer],
    shelf: _AtHand,
    as_of: date,
    begins: Sequence[date],
    places: Mapping[int, int],
) -> _Draft:
    baseline_l = product.top_ups_l_per_month * 7.0 / DAYS_A_MONTH
    need = pool_weeks(coming.jobs, baseline_l)
    exposed, per_l = 1, 0.0
    if offers:
        usual = min(offers, key=lambda own: own.rank_as_usual)
        exposed = exposed_weeks(usual.horizon_days(as_of))
        per_l = usual.rank_as_usual[0]
    ahead = LitresAhead(
        required_l=required_l(need, exposed),
        drawn_l=need.drawn_l,
        at_hand_l=shelf.by_week(product.pk, need.drawn_l),
        holding_per_l_week=KEEPING_SHARE_PER_YEAR * per_l * 7.0 / 365.25,
        life_weeks=None
        if product.sealed_life_months is None
        else weeks_of_months(product.sealed_life_months),
        most_l=product.most_on_shelf_l,
        worth_per_l=float(CREDIT_SHARE) * per_l,
    )
    packs = {places[offer.row.pk]: offer.packs for offer in offers}
    return _Draft(product, need, coming, FluidAhead(product.code, ahead, packs))


def _fluid_shown(
    draft: _Draft,
    own: FluidPlan,
    by_place: Mapping[int, Offer],
    called: UnitsCalled,
    begins: Sequence[date],
) -> FluidShown:
    ahead = draft.fluid.ahead
    shelf_l = ahead.at_hand_l - ahead.drawn_l if own.plan is None else own.plan.shelf_l
    supplier = None if own.source is None else by_place[own.source].row
    bought_l = sum(lot.litres for lot in own.plan.lots) if own.plan else 0.0
    at_hand_l = float(ahead.at_hand_l[-1])
    sentence = (
        f"Cannot say: {own.cannot_say}"
        if own.cannot_say
        else fluid_words(float(ahead.drawn_l[-1]), at_hand_l, bought_l, own.unmet_l, begins)
    )
    if own.left_out:
        sentence += f" Odd pack sizes left out: {', '.join(own.left_out)}."
    return FluidShown(
        draft.product, supplier, draft.need, ahead.required_l, ahead.at_hand_l, shelf_l,
        own.plan.lots if own.plan else (), jobs_shown(draft.ahead.jobs, called), len(draft.ahead.jobs.unit),
        unplanned_shown(draft.ahead.unplanned, called), len(draft.ahead.unplanned), own.unmet_l,
        own.cannot_say, sentence,
    )  # fmt: skip


def _order_shown(
    order: PlannedOrder,
    by_place: Mapping[int, Offer],
    products: Mapping[str, Product],
    why: Mapping[tuple[str, int], str],
    begins: Sequence[date],
) -> OrderShown:
    offer = by_place[order.source]
    order_by = max(begins[0], latest_order_day(begins[order.week], offer.figures))
    notes = []
    if order.short_l > 0:
        notes.append(f"{order.short_l:.1f} L below his least of {offer.row.minimum_l:g} L: top up, or ask.")
    if order.short_cost > 0:
        notes.append(f"{order.short_cost:.2f} below his least of {offer.row.minimum_cost}: top up, or ask.")
    freight = float(offer.row.freight_cost or 0)
    if freight and offer.row.free_freight_from is not None:
        is_free = Decimal(str(round(order.value, 2))) >= offer.row.free_freight_from
        notes.append(
            "Free of freight."
            if is_free
            else f"Freight {freight:.2f}; free from {offer.row.free_freight_from}."
        )
    lots = tuple(LotShown(products[code], lot, why[code, lot.week]) for code, lot in order.lots)
    return OrderShown(
        offer.row, order_by, working_days_back(begins[order.week], 1, offer.figures.closed_days), order.week, lots,
        order.litres, order.value, order.fixed_cost, tuple(notes),
    )  # fmt: skip


def _lacking_l(draft: _Draft, own: FluidPlan) -> FloatArray:
    """Return (T,) litres required beyond what is at hand, without any lot."""
    ahead = draft.fluid.ahead
    return ahead.required_l - own.unmet_l - ahead.at_hand_l


def _against_list(depot: Depot, orders: Sequence[OrderShown]) -> tuple[str, ...]:
    """Say where the plan's first lot of a product differs from today's ordering list, and why."""
    first: dict[int, tuple[Lot, OrderShown]] = {}
    for order in orders:
        for own in order.lots:
            first.setdefault(own.product.pk, (own.lot, order))
    said = []
    lines = ProposedLine.objects.filter(depot=depot, order_l__gt=0).select_related("product")
    for line in lines.order_by("product__code"):
        lot, order = first.get(line.product_id, (None, None))
        said.append(
            against_words(
                line.product.code, line.order_l, line.facts.get("horizon_days", 0),
                lot.litres if lot else None, order.order_by if order else None,
            )
        )  # fmt: skip
    return tuple(text for text in said if text)
