"""Placed orders: what a person sees of them, which are late, which units wait for them."""

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from shop import clock
from shop.models import ChangeRecord, OrderedLine, Person, StockMovement, Supplier, SupplierOrder
from shop.planning.demand import JobNeed
from shop.planning.punctuality import Punctuality
from shop.planning.waiting import Arrival, Waiting, jobs_waiting
from shop.selectors.access import depots_of, proposed_lines_of
from shop.selectors.stock import ordered_of, shelves_seen
from shop.selectors.suppliers import punctuality_by_supplier

NEWEST_ORDERS = 12
TABLE, LINE_TABLE = SupplierOrder._meta.verbose_name, OrderedLine._meta.verbose_name


def supplier_orders_of(person: Person) -> QuerySet[SupplierOrder]:
    """Return the orders of the shelves that serve a person's depots, the newest first."""
    return (
        SupplierOrder.objects.filter(depot__in=shelves_seen(person))
        .select_related("depot", "supplier", "placed_by")
        .prefetch_related("lines__product", "mails")
        .order_by("-placed_at", "-pk")
    )


@dataclass(frozen=True, slots=True)
class UnitWaiting:
    """A unit whose job waits for fluid on order: which fluid, how much, and the delivery that brings it."""

    unit: str
    product: str
    waiting: Waiting
    today: datetime.date

    @property
    def words(self) -> str:
        """The state in words; an expected day that has passed is named as such."""
        day = self.waiting.arrival.coming_on
        year = "" if day.year == self.today.year else f"\u00a0{day.year}"
        was = "was " if day < self.today else ""
        return f"waiting for fluid, {was}expected {day.day}\u00a0{day:%b}{year}"


def lines_coming(
    person: Person, beside: Sequence[str] = ("depot", "product", "supplier", "order")
) -> list[OrderedLine]:
    """Return what is on the way to the shelves that serve a person's depots, in one query.

    beside: what is read with each; `units_waiting` needs its order alone.
    """
    own = depots_of(person).order_by()
    shelves = Q(depot__in=own.filter(stores_at__isnull=True)) | Q(depot__in=own.values("stores_at"))
    lines = OrderedLine.objects.filter(shelves, is_open=True).select_related(*beside)
    return [line for line in lines.order_by("expected_on", "pk") if line.outstanding_l > 0]


def units_waiting(person: Person, coming: Sequence[OrderedLine]) -> dict[str, UnitWaiting]:
    """Return unit code → what its next job waits for, from the ordering list as last worked out.

    Two queries at most, however many units there are.

    coming: from `lines_coming`.
    """
    arrivals: dict[tuple[int, int], list[Arrival]] = defaultdict(list)
    for line in coming:
        number = line.order.number if line.order else ""
        arrivals[line.depot_id, line.product_id].append(Arrival(line.outstanding_l, line.coming_on, number))
    if not arrivals:
        return {}
    found: dict[str, UnitWaiting] = {}
    wanted = {product_pk for _, product_pk in arrivals}
    for proposed in proposed_lines_of(person).filter(product__in=wanted):
        on_the_way = arrivals.get((proposed.depot_id, proposed.product_id), [])
        codes = {job["label"]: job["unit"] for job in proposed.facts.get("jobs", ())}
        jobs = [_job(job) for job in proposed.facts.get("jobs", ())]
        free_l = proposed.facts.get("shelf", {}).get("free_l", proposed.free_l)
        today = clock.today(proposed.depot.time_zone)
        for own in jobs_waiting(jobs, free_l, on_the_way):
            unit = codes[own.job.unit_label]
            found[unit] = UnitWaiting(unit, proposed.product.code, own, today)
    return found


def _job(kept: dict[str, object]) -> JobNeed:
    """Read a job back as the ordering list keeps it; its chance is already that of all three."""
    return JobNeed(
        unit_label=str(kept["label"]), job_label=str(kept["method"]), litres=kept["litres"],
        p_due=kept["chance"], turns_up_share=1.0, passes_gate_share=1.0,
        needed_on=datetime.date.fromisoformat(str(kept["needed_on"])),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LateLine:
    """A line whose day has passed: days over it, and the units that wait for it."""

    line: OrderedLine
    days: int
    units: list[UnitWaiting]


def late_lines(coming: Sequence[OrderedLine], waiting: dict[str, UnitWaiting]) -> list[LateLine]:
    """Return what should have come, the longest overdue first.

    coming: from `lines_coming`. waiting: from `units_waiting`.
    """
    late = [LateLine(line, days, _behind(line, waiting)) for line in coming if (days := days_late(line)) > 0]
    return sorted(late, key=lambda own: (-own.days, own.line.product.code, own.line.pk))


def days_late(line: OrderedLine) -> int:
    """Return the days since the day named last, by the depot's own today; below zero while it is ahead."""
    return (clock.today(line.depot.time_zone) - line.coming_on).days


def _behind(line: OrderedLine, waiting: dict[str, UnitWaiting]) -> list[UnitWaiting]:
    number = line.order.number if line.order else ""
    return [
        own
        for own in waiting.values()
        if own.product == line.product.code
        and own.waiting.arrival.order == number
        and own.waiting.arrival.coming_on == line.coming_on
    ]


@dataclass(frozen=True, slots=True)
class OrdersShown:
    """What the ordering page says of orders already placed."""

    late: list[LateLine]
    open: list[SupplierOrder]
    loose: list[OrderedLine]


def orders_shown(person: Person) -> OrdersShown:
    """Return what is on the way: late lines, open orders, and open lines of files that have no order."""
    coming = lines_coming(person)
    return OrdersShown(
        late=late_lines(coming, units_waiting(person, coming)),
        open=list(supplier_orders_of(person).filter(state__in=SupplierOrder.OPEN)),
        loose=[line for line in coming if line.order is None],
    )


@dataclass(frozen=True, slots=True)
class LineShown:
    """A line of an order with what came on it and who waits for the rest."""

    line: OrderedLine
    movements: list[StockMovement]
    units: list[UnitWaiting]


@dataclass(frozen=True, slots=True)
class OrderShown:
    """All that the page of an order shows."""

    order: SupplierOrder
    lines: list[LineShown]
    litres: float
    cost: object
    late_days: int
    changes: list[ChangeRecord]
    punctuality: Punctuality

    @property
    def has_come(self) -> bool:
        """True when some of it has come."""
        return any(own.movements for own in self.lines)


def order_shown(person: Person, order: SupplierOrder) -> OrderShown:
    """Gather an order with its deliveries, its history and the units behind it."""
    lines = list(order.lines.all())
    waiting = units_waiting(person, lines_coming(person)) if order.is_open else {}
    movements: dict[int, list[StockMovement]] = defaultdict(list)
    for movement in StockMovement.objects.filter(delivery__in=lines).select_related("item", "moved_by"):
        movements[movement.delivery_id].append(movement)
    changes = ChangeRecord.objects.filter(
        Q(table=TABLE, key=order.number) | Q(table=LINE_TABLE, key__startswith=f"{order.number} ")
    ).select_related("changed_by")
    return OrderShown(
        order=order,
        lines=[LineShown(line, movements[line.pk], _behind(line, waiting)) for line in lines],
        litres=sum(line.litres for line in lines),
        cost=sum(line.cost or 0 for line in lines),
        late_days=max((days_late(line) for line in lines if line.is_open), default=0),
        changes=list(changes.order_by("changed_at", "pk")),
        punctuality=punctuality_by_supplier([order.supplier_id])[order.supplier_id],
    )


@dataclass(frozen=True, slots=True)
class SupplierShown:
    """A supplier with what orders have shown and what is open."""

    supplier: Supplier
    punctuality: Punctuality
    closed_days: list[object]
    open: list[SupplierOrder]
    open_lines: list[OrderedLine]
    past: list[SupplierOrder]
    past_lines: list[OrderedLine]


def supplier_shown(person: Person, supplier: Supplier) -> SupplierShown:
    """Gather a supplier's page: punctuality from all depots' orders, the orders themselves from the person's own."""
    orders = supplier_orders_of(person).filter(supplier=supplier)
    lines = ordered_of(person).filter(supplier=supplier, order__isnull=True)
    today = _latest_day(person)
    return SupplierShown(
        supplier=supplier,
        punctuality=punctuality_by_supplier([supplier.pk])[supplier.pk],
        closed_days=list(supplier.closed_days.filter(Q(day__gte=today) if today else Q()).order_by("day")),
        open=list(orders.filter(state__in=SupplierOrder.OPEN)),
        open_lines=list(lines.filter(is_open=True).order_by("expected_on", "pk")),
        past=list(orders.exclude(state__in=SupplierOrder.OPEN)[:NEWEST_ORDERS]),
        past_lines=list(lines.filter(is_open=False).order_by("-ordered_on", "pk")[:NEWEST_ORDERS]),
    )


def _latest_day(person: Person) -> datetime.date | None:
    return max((clock.today(depot.time_zone) for depot in shelves_seen(person)), default=None)
