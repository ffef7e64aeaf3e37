"""What stands on a depot's shelf and how much of it may be used."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from intervals.rules import add_months
from shop.models import OrderedLine, Product, Reservation, StockItem
from shop.planning.ordering import FluidShelf
from shop.selectors.may_go_in import FluidRules


@dataclass(frozen=True, slots=True)
class Shelf:
    """One product's shelf, with the reservations that cannot be kept.

    blocked: (unit code, litres, reason) of reservations of a fluid that must not go into the unit.
    """

    litres: FluidShelf
    blocked: list[tuple[str, float, str]] = field(default_factory=list)


def is_usable(item: StockItem, day: date) -> bool:
    """Say whether a stock item may still be poured on a day: not quarantined, within use-by and opened life."""
    return not item.is_quarantined and not is_past_use_by(item, day)


def is_past_use_by(item: StockItem, day: date) -> bool:
    """Say whether a day lies past the last day the item may be poured."""
    last = last_day(item)
    return last is not None and last < day


def last_day(item: StockItem) -> date | None:
    """Return the last day an item may be poured: its use-by or the end of its opened life, whichever is sooner."""
    months = item.product.opened_life_months
    opened_until = add_months(item.opened_on, months) if item.opened_on and months is not None else None
    return min((day for day in (item.use_by, opened_until) if day is not None), default=None)


def shelves_of(
    depot_pk: int, as_of: date, use_days: Mapping[int, date], pooled_units: set[int]
) -> dict[int, Shelf]:
    """Return product → shelf of a depot.

    use_days: product → the day by which the fluid would be used; what is past its use-by then does not count; for
    a product not named that day is as_of. pooled_units: units whose
    next job is in the pooled need, so that their own reservations are not counted twice.
    """
    sums: dict[int, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])
    for item in StockItem.objects.filter(depot=depot_pk).select_related("product"):
        own = sums[item.product_id]
        own[0] += item.on_shelf_l
        if item.is_quarantined:
            own[1] += item.on_shelf_l
        elif is_past_use_by(item, use_days.get(item.product_id, as_of)):
            own[2] += item.on_shelf_l
    reserved: dict[int, float] = defaultdict(float)
    blocked: dict[int, list[tuple[str, float, str]]] = defaultdict(list)
    rules = FluidRules.read()
    for own_reservation in Reservation.objects.filter(depot=depot_pk, is_open=True).select_related(
        "unit__unit_model", "product"
    ):
        reason = rules.why_not(own_reservation.product, own_reservation.unit.unit_model)
        if reason:
            blocked[own_reservation.product_id].append(
                (own_reservation.unit.code, own_reservation.litres, reason)
            )
        elif own_reservation.unit_id not in pooled_units:
            reserved[own_reservation.product_id] += own_reservation.litres
    return {
        product_pk: Shelf(FluidShelf(own[0], reserved[product_pk], own[1], own[2]), blocked[product_pk])
        for product_pk, own in sums.items()
    }


@dataclass(slots=True)
class OnOrder:
    """Litres of a product on the way in time, and a sentence for each delivery that is overdue and does not count."""

    in_time_l: float = 0.0
    late: list[str] = field(default_factory=list)


def on_order(depot_pk: int, as_of: date) -> dict[int, OnOrder]:
    """Return product → what was ordered and is not here yet."""
    found: dict[int, OnOrder] = defaultdict(OnOrder)
    for line in OrderedLine.objects.filter(depot=depot_pk, is_open=True).select_related("supplier"):
        own = found[line.product_id]
        if line.coming_on >= as_of:
            own.in_time_l += line.outstanding_l
        else:
            own.late.append(
                f"{line.outstanding_l:g} L ordered from {line.supplier.name} on {line.ordered_on} were expected on "
                f"{line.coming_on}; ask the supplier before ordering again."
            )
    return found


def first_to_use(depot_pk: int, product: Product, day: date) -> list[StockItem]:
    """Return the usable items of a product, opened ones first, then the earliest use-by."""
    items = [
        item
        for item in StockItem.objects.filter(
            depot=depot_pk, product=product, on_shelf_l__gt=0
        ).select_related("product")
        if is_usable(item, day)
    ]
    return sorted(items, key=lambda item: (item.opened_on is None, item.use_by or date.max, item.pk))
