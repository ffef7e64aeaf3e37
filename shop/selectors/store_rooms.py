"""Rooms and bunds whose limit several products share: what stands in them today."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import Sum

from shop.models import Depot, OrderedLine, StockItem, StoreRoom


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

    def over_with_l(self, more_l: float) -> float:
        """Litres beyond the limit once so many more are in."""
        return max(0.0, self.in_it_l + more_l - self.room.most_l)


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
    return _warnings(rooms_now([shelf]), shelf.pk, product_pk, more_l)


def warned_lines(
    lines: Iterable[OrderedLine], shelves: Sequence[Depot]
) -> list[tuple[OrderedLine, list[str]]]:
    """Return lines on order, each with the rooms that would hold too much once the rest of it has come."""
    rooms = rooms_now(shelves)
    return [(own, _warnings(rooms, own.depot_id, own.product_id, own.outstanding_l)) for own in lines]


def _warnings(rooms: Sequence[RoomNow], shelf_pk: int, product_pk: int, more_l: float) -> list[str]:
    return [
        f"{own.room.name}: {own.in_it_l + more_l:.10g} L where {own.room.most_l:g} L may stand, "
        f"{own.over_with_l(more_l):.10g} L too many."
        for own in rooms
        if own.room.depot_id == shelf_pk and product_pk in own.stands_l and own.over_with_l(more_l) > 0.05
    ]
