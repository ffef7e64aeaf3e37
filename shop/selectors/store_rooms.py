"""Rooms and bunds whose limit several products share: what stands in them today."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass

from django.db.models import Sum

from shop.models import Depot, OrderedLine, StockItem, StoreRoom

LEAST_OVER_L = 0.05


@dataclass(frozen=True, slots=True)
class RoomNow:
    """One room today; stands_l: product → litres on the shelf, whatever their state."""

    room: StoreRoom
    codes: frozenset[str]
    stands_l: dict[int, float]

    @property
    def in_it_l(self) -> float:
        """Litres in it."""
        return sum(self.stands_l.values())

    def with_l(self, coming_l: Mapping[int, float]) -> float:
        """Litres in it once more has come; coming_l: product → litres, of others than its own too."""
        return self.in_it_l + sum(litres for product, litres in coming_l.items() if product in self.stands_l)


def rooms_now(shelves: Sequence[Depot]) -> list[RoomNow]:
    """Return the rooms of shelves with what stands in them, in three queries however many there are."""
    rooms = list(
        StoreRoom.objects.filter(depot__in=shelves).order_by("depot", "name").prefetch_related("products")
    )
    if not rooms:
        return []
    sums = StockItem.objects.filter(depot__in=shelves, on_shelf_l__gt=0).values("depot", "product")
    litres = {
        (own["depot"], own["product"]): own["litres"]
        for own in sums.annotate(litres=Sum("on_shelf_l")).order_by("depot", "product")
    }
    found = []
    for room in rooms:
        products = list(room.products.all())
        stands_l = {one.pk: litres.get((room.depot_id, one.pk), 0.0) for one in products}
        found.append(RoomNow(room, frozenset(one.code for one in products), stands_l))
    return found


def room_warnings(shelf: Depot, product_pk: int, more_l: float = 0.0) -> list[str]:
    """Say which rooms of a shelf hold too much of what a product shares, once so many more litres are in."""
    return _warnings(rooms_now([shelf]), shelf.pk, {product_pk}, {product_pk: more_l})


def rooms_with_order(shelf: Depot, wanted_l: Mapping[int, float]) -> list[str]:
    """Say which rooms of a shelf would hold too much once an order and all that is on the way have come.

    wanted_l: product → litres the order asks for.
    """
    products = {product for product, litres in wanted_l.items() if litres > 0}
    coming_l: dict[int, float] = defaultdict(float, wanted_l)
    for line in OrderedLine.objects.filter(depot=shelf, is_open=True):
        coming_l[line.product_id] += line.outstanding_l
    return _warnings(rooms_now([shelf]), shelf.pk, products, coming_l)


def warned_lines(
    lines: Iterable[OrderedLine], shelves: Sequence[Depot]
) -> list[tuple[OrderedLine, list[str]]]:
    """Return lines on order, each with the rooms that would hold too much once it and those before it have come."""
    rooms = rooms_now(shelves)
    coming_l: dict[int, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    found = []
    for own in lines:
        coming_l[own.depot_id][own.product_id] += own.outstanding_l
        found.append((own, _warnings(rooms, own.depot_id, {own.product_id}, coming_l[own.depot_id])))
    return found


def _warnings(
    rooms: Sequence[RoomNow], shelf_pk: int, products: Set[int], coming_l: Mapping[int, float]
) -> list[str]:
    told = []
    for own in rooms:
        litres = own.with_l(coming_l)
        over_l = litres - own.room.most_l
        if own.room.depot_id == shelf_pk and products & own.stands_l.keys() and over_l > LEAST_OVER_L:
            told.append(
                f"{own.room.name}: {litres:.10g} L where {own.room.most_l:g} L may stand, {over_l:.10g} L too many."
            )
    return told
