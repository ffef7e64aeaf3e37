"""Goods in: packs that arrive, against an order or without one."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db import transaction

from intervals.rules import add_months
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Depot, OrderedLine, Person, Product, StockItem, StockMovement
from shop.planning.demand import DUST_L
from shop.services.changes import change_note, changes_write
from shop.services.order_state import order_follow, shelf_hold
from shop.services.orders import order_list_propose
from shop.services.stock import Booking, item_under, litres_move


@dataclass(frozen=True, slots=True)
class PacksIn:
    """Equal sealed packs of one batch.

    Without a use-by the product's sealed life from today stands in; the movement's note says so.
    """

    pack_size_l: float
    count: int
    batch: str
    use_by: datetime.date | None = None
    place: str = ""
    is_seal_whole: bool = True

    @property
    def litres(self) -> float:
        """Litres in all these packs."""
        return self.pack_size_l * self.count


def goods_in(
    person: Person,
    depot: Depot,
    product: Product,
    packs: Sequence[PacksIn],
    delivery: OrderedLine | None = None,
) -> list[StockItem]:
    """Book arrived packs onto the shelf that serves a depot, all of them or none.

    Each pack size and batch is an item of its own. A pack whose seal is broken is set aside in quarantine. An
    order is closed when all of it has come; part of it leaves the rest outstanding.

    Returns:
        The items.

    Raises:
        NotAllowed: the person's role does not reach so far.
        InputError: nothing to book, a pack that cannot be, a use-by that has passed.
        ConflictError: the order is for another fluid or another shelf, or is closed.
    """
    if not person.can("plan"):
        raise NotAllowed("Your role may not book goods in; ask Stores or the foreman.")
    shelf = depot.stores_at or depot
    today = clock.today(shelf.time_zone)
    _check(packs, today)
    with transaction.atomic():
        shelf_hold(shelf)
        if delivery is not None:
            delivery = OrderedLine.objects.select_related("product", "supplier").get(pk=delivery.pk)
            order_check(delivery, shelf, product)
        items = [_put(person, shelf, product, own, delivery, today) for own in packs]
        if delivery is not None:
            order_receive(delivery, sum(own.litres for own in packs), today)
        order_list_propose(shelf, today, clock.local_time(shelf.time_zone))
    return items


def order_give_up(person: Person, delivery: OrderedLine, note: str) -> None:
    """Close an order whose rest will not come; the need for it shows on the ordering list again."""
    if not person.can("plan"):
        raise NotAllowed("Your role may not close orders; ask Stores or the foreman.")
    if not note.strip():
        sentence = "Say why the rest will not come, e.g. “supplier out of stock”."
        raise InputError(sentence, fields={"note": sentence})
    shelf = delivery.depot
    with transaction.atomic():
        shelf_hold(shelf)
        held = OrderedLine.objects.get(pk=delivery.pk)
        if not held.is_open:
            raise ConflictError("That order is closed already.")
        outstanding_l = held.outstanding_l
        held.is_open, held.closed_on = False, clock.today(shelf.time_zone)
        held.save(update_fields=["is_open", "closed_on"])
        code = held.product.code
        note_row = change_note(
            held, f"{held.order} {code}" if held.order else f"{code} {held.ordered_on}", before={"is_open": True},
            after={"is_open": False, "given_up_l": outstanding_l, "why": note.strip()},
        )  # fmt: skip
        changes_write([note_row], person=person)
        order_follow(held, held.closed_on)
        order_list_propose(shelf, clock.today(shelf.time_zone), clock.local_time(shelf.time_zone))


def _check(packs: Iterable[PacksIn], today: datetime.date) -> None:
    fields: dict[str, str] = {}
    rows = list(packs)
    if not rows:
        fields["packs"] = "Give at least one row of packs."
    for row, own in enumerate(rows, start=1):
        if not 0 < own.pack_size_l < 1e5 or not 1 <= own.count <= 10_000:
            fields["packs"] = f"Row {row}: give a pack size above zero and at least one pack."
        elif not own.batch.strip():
            fields["batch"] = (
                f"Row {row}: type the batch printed on the pack; without it no notice can find it."
            )
        elif own.use_by is not None and own.use_by < today:
            fields["use_by"] = f"Row {row}: the use-by {own.use_by} has passed; send it back."
    if fields:
        raise InputError(next(iter(fields.values())), fields=fields)


def order_check(delivery: OrderedLine, shelf: Depot, product: Product) -> None:
    """Refuse goods an order does not ask for. Raises ConflictError."""
    if not delivery.is_open:
        raise ConflictError(
            f"The order of {delivery.ordered_on} is closed; book these goods without an order."
        )
    if delivery.depot_id != shelf.pk:
        raise ConflictError(f"That order is for another shelf than {shelf.code}.")
    if delivery.product_id != product.pk:
        sentence = (
            f"{product.code} came, but {delivery.product.code} was ordered from {delivery.supplier.name}: wrong fluid. "
            "Refuse it, or book it in without the order."
        )
        raise ConflictError(sentence, fields={"product": sentence})


def _put(
    person: Person,
    shelf: Depot,
    product: Product,
    own: PacksIn,
    delivery: OrderedLine | None,
    today: datetime.date,
) -> StockItem:
    use_by, notes = own.use_by, []
    if use_by is None and product.sealed_life_months:
        use_by = add_months(today, product.sealed_life_months)
        notes.append("use-by from the product's sealed life, none on the pack")
    if not own.is_seal_whole:
        notes.append("seal broken: set aside")
    item = item_under(
        StockItem(
            depot=shelf, product=product, label=_label(own), place=own.place, pack_size_l=own.pack_size_l,
            batch=own.batch.strip(), use_by=use_by, is_quarantined=not own.is_seal_whole,
        )
    )  # fmt: skip
    litres_move(
        item, own.litres, StockMovement.Reason.GOODS_IN, Booking(person, "; ".join(notes), delivery=delivery)
    )
    item.refresh_from_db()
    return item


def _label(own: PacksIn) -> str:
    """Return the label of a place; of a long batch the end stays, where batches differ."""
    before = f"{own.place} {own.pack_size_l:g} L ".lstrip()
    after = "" if own.is_seal_whole else " broken seal"
    batch, room = own.batch.strip(), 40 - len(before) - len(after)
    return before + (batch if len(batch) <= room else f"…{batch[1 - room :]}") + after


def order_receive(delivery: OrderedLine, litres: float, today: datetime.date) -> None:
    """Count litres on an order's line, the shelf held by the caller; it is closed when all of them have come."""
    delivery.received_l += litres
    if delivery.received_l >= delivery.litres - DUST_L:
        delivery.is_open, delivery.closed_on = False, today
    delivery.save(update_fields=["received_l", "is_open", "closed_on"])
    order_follow(delivery, today)
