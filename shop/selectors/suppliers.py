"""Suppliers as the planning takes them: terms, closed days, and how punctual they have been."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, time
from decimal import Decimal

from django.db.models import Q

from shop.models import ClosedDay, Depot, OrderedLine, Pack, Supplier, SupplierOrder
from shop.planning.demand import DUST_L
from shop.planning.ordering import Supplier as SupplierFigures
from shop.planning.packs import Pack as PackFigures
from shop.planning.punctuality import PastOrder, Punctuality, punctuality_of

NO_CUT_OFF = time(23, 59)


def supplier_find(code: str) -> Supplier | None:
    """Return a supplier by its code."""
    return Supplier.objects.filter(code=code).first()


def supplier_figures(supplier: Supplier, closed_days: frozenset[date]) -> SupplierFigures:
    """Return a supplier's terms; closed_days: those of the supplier and of the depot that orders."""
    return SupplierFigures(
        name=supplier.name,
        lead_working_days=supplier.lead_working_days,
        cut_off=supplier.cut_off or NO_CUT_OFF,
        closed_days=closed_days,
        minimum_l=supplier.minimum_l or 0.0,
        minimum_cost=supplier.minimum_cost or Decimal(0),
        free_freight_from=supplier.free_freight_from,
    )


def pack_figures(pack: Pack) -> PackFigures:
    """Return a pack as it is sold: litres, price, print and how many make a case."""
    return PackFigures(pack.size_l, pack.price, pack.printed, pack.multiple)


def closed_days_of(supplier: Supplier, depot: Depot) -> frozenset[date]:
    """Return the days on which either side does not work: no working day between them."""
    days = ClosedDay.objects.filter(Q(supplier=supplier) | Q(depot=depot))
    return frozenset(days.values_list("day", flat=True))


def punctuality_by_supplier(supplier_pks: Iterable[int]) -> dict[int, Punctuality]:
    """Return supplier → what all depots' orders that are over show; a supplier without one is named too."""
    wanted = set(supplier_pks)
    past = _past_orders(wanted)
    return {pk: punctuality_of(past.get(pk, [])) for pk in wanted}


def _past_orders(supplier_pks: set[int]) -> dict[int, list[PastOrder]]:
    """Group lines that are over into orders; lines of a file belong together by depot, order day and day named."""
    lines = OrderedLine.objects.filter(supplier__in=supplier_pks).exclude(
        order__state=SupplierOrder.State.CANCELLED
    )
    grouped: dict[tuple[object, ...], list[OrderedLine]] = defaultdict(list)
    for line in lines.order_by("supplier", "ordered_on", "pk"):
        own = (line.order_id,) if line.order_id else (None, line.depot_id, line.ordered_on, line.expected_on)
        grouped[line.supplier_id, *own].append(line)
    closed = _closed_days()
    found: dict[int, list[PastOrder]] = defaultdict(list)
    for own in grouped.values():
        if all(not line.is_open and line.closed_on for line in own):
            days = closed["supplier", own[0].supplier_id] | closed["depot", own[0].depot_id]
            found[own[0].supplier_id].append(_past_order(own, days))
    return found


def _past_order(lines: list[OrderedLine], closed: frozenset[date]) -> PastOrder:
    is_whole = all(line.received_l >= line.litres - DUST_L for line in lines)
    arrived_on = max(line.closed_on for line in lines) if is_whole else None
    return PastOrder(lines[0].ordered_on, lines[0].expected_on, arrived_on, closed)


def _closed_days() -> dict[tuple[str, int], frozenset[date]]:
    days: dict[tuple[str, int], frozenset[date]] = defaultdict(frozenset)
    for supplier_pk, depot_pk, day in ClosedDay.objects.values_list("supplier", "depot", "day"):
        key = ("depot", depot_pk) if supplier_pk is None else ("supplier", supplier_pk)
        days[key] |= {day}
    return days
