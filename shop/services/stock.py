"""The stock ledger: every litre that comes onto or leaves a shelf is a row that stays."""

import datetime
from dataclasses import dataclass

from django.db import transaction
from django.db.models import F
from django.db.models.functions import Greatest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import (
    BulkTank,
    ChangeRecord,
    Depot,
    Job,
    OrderedLine,
    Person,
    Product,
    StockItem,
    StockMovement,
)
from shop.planning.demand import DUST_L
from shop.selectors.stock import shelves_seen
from shop.services.changes import change_note, changes_write

Reason = StockMovement.Reason
KEPT_APART = {
    "batch": "batch", "use_by": "use-by", "opened_on": "the day of opening", "pack_size_l": "pack size",
    "is_quarantined": "quarantine",
}  # fmt: skip
"""What packs under one label share, and the words for it."""


@dataclass(frozen=True, slots=True)
class Booking:
    """Who moves litres, and for what: a job, an order that came in, or a reason in words."""

    person: Person | None
    note: str = ""
    job: Job | None = None
    delivery: OrderedLine | None = None


def litres_move(item: StockItem, litres: float, reason: str, booking: Booking) -> StockMovement:
    """Book litres onto (above zero) or off an item, so that two people can never take the same litre.

    Runs inside the caller's transaction. Raises ConflictError when the item does not hold the litres any more.
    """
    # The last litres may be a hair less than what is taken; nothing is what is left.
    moved = StockItem.objects.filter(pk=item.pk, on_shelf_l__gte=-litres - DUST_L).update(
        on_shelf_l=Greatest(F("on_shelf_l") + litres, 0.0)
    )
    if not moved:
        held_l = StockItem.objects.values_list("on_shelf_l", flat=True).get(pk=item.pk)
        raise ConflictError(
            f"“{item.label}” holds {held_l:.2f} L of {item.product.code}, not the {-litres:.2f} L asked for. Somebody "
            "may have just taken some: look at the shelf, count it if the books are wrong, and book again.",
            fields={"litres": f"{held_l:.2f} L are left."},
        )
    # A subtraction of floats may also end a hair above nothing.
    StockItem.objects.filter(pk=item.pk, on_shelf_l__lt=DUST_L).update(on_shelf_l=0.0)
    return StockMovement.objects.create(
        item=item, litres=litres, reason=reason, note=booking.note[:200], job=booking.job,
        delivery=booking.delivery, moved_at=clock.now(), moved_by=booking.person,
    )  # fmt: skip


def stock_count(person: Person, item: StockItem, counted_l: float, note: str = "") -> StockMovement | None:
    """Set an item to what was counted; the difference becomes a movement with a name to it.

    Returns the movement, None when the books were right. Raises NotAllowed, InputError.
    """
    _may_store(person)
    _above(counted_l, "counted_l", is_zero_allowed=True)
    with transaction.atomic():
        held = StockItem.objects.select_for_update().select_related("product").get(pk=item.pk)
        most_l = held.pack_size_l if held.opened_on else None
        if most_l is not None and counted_l > most_l + DUST_L:
            sentence = f"An opened pack of {most_l:g} L cannot hold {counted_l:g} L; count it again."
            raise InputError(sentence, fields={"counted_l": sentence})
        difference_l = counted_l - held.on_shelf_l
        if abs(difference_l) <= DUST_L:
            return None
        return litres_move(held, difference_l, Reason.COUNTED, Booking(person, note.strip()))


def stock_write_off(person: Person, item: StockItem, litres: float, note: str) -> StockMovement:
    """Take litres off the books for good: spilt, past use-by, poured away. The reason must be given."""
    _may_store(person)
    _above(litres, "litres")
    if not note.strip():
        sentence = "Say why these litres are gone, e.g. “spilt” or “past use-by, to the collector”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        return litres_move(item, -litres, Reason.WRITTEN_OFF, Booking(person, note.strip()))


def stock_return(person: Person, item: StockItem, litres: float, job: Job, note: str = "") -> StockMovement:
    """Put back what a job took and did not pour. Never more than that job took from this item."""
    _may_store(person)
    _above(litres, "litres")
    with transaction.atomic():
        StockItem.objects.select_for_update().get(pk=item.pk)
        moves = StockMovement.objects.filter(item=item, job=job, reason__in=[Reason.FILLED, Reason.RETURNED])
        taken_l = -sum(moves.values_list("litres", flat=True))
        if litres > taken_l + DUST_L:
            sentence = (
                f"{job.code} took {max(taken_l, 0.0):g} L from “{item.label}”; no more can come back to it."
            )
            raise InputError(sentence, fields={"litres": sentence})
        return litres_move(item, litres, Reason.RETURNED, Booking(person, note.strip(), job=job))


def stock_open(person: Person, item: StockItem, day: datetime.date) -> StockItem:
    """Open one sealed pack: it becomes an item of its own, so that its opened life does not age the others."""
    _may_store(person)
    if item.opened_on is not None:
        raise InputError(f"“{item.label}” has been open since {item.opened_on}.")
    with transaction.atomic():
        held = StockItem.objects.select_for_update().select_related("depot", "product").get(pk=item.pk)
        if BulkTank.objects.filter(item=held).exists():
            sentence = f"“{held.label}” is a tank, no pack; draw from it by its meter."
            raise InputError(sentence, fields={"item": sentence})
        if held.on_shelf_l <= DUST_L:
            sentence = f"“{held.label}” is empty by the books; count it first if packs stand there."
            raise ConflictError(sentence, fields={"item": sentence})
        return pack_begin(held, min(held.pack_size_l, held.on_shelf_l), day, Booking(person))


def pack_begin(item: StockItem, litres: float, day: datetime.date, booking: Booking) -> StockItem:
    """Move the litres of one begun pack from a sealed item to an opened one; inside the caller's transaction."""
    litres_move(item, -litres, Reason.OPENED, booking)
    opened = StockItem.objects.create(
        depot=item.depot, product=item.product, label=_opened_label(item, day), place=item.place, on_shelf_l=0.0,
        pack_size_l=item.pack_size_l, batch=item.batch, use_by=item.use_by, opened_on=day,
        is_quarantined=item.is_quarantined,
    )  # fmt: skip
    litres_move(opened, litres, Reason.OPENED, booking)
    return opened


def stock_decant(person: Person, item: StockItem, litres: float, label: str, day: datetime.date) -> StockItem:
    """Fill a smaller can from a drum or tank; the can keeps batch, use-by and the day its source was opened."""
    _may_store(person)
    _above(litres, "litres")
    if not label.strip():
        sentence = "Give the can a label, so that nobody takes it for another fluid."
        raise InputError(sentence, fields={"label": sentence})
    with transaction.atomic():
        can = item_under(
            _empty_like(item, item.depot, label.strip(), opened_on=item.opened_on or day, pack_size_l=litres),
            is_any_size=True,
        )
        if can.on_shelf_l + litres > can.pack_size_l + DUST_L:
            can.pack_size_l = can.on_shelf_l + litres
            can.save(update_fields=["pack_size_l"])
        booking = Booking(person, f"from {item.label} to {can.label}")
        litres_move(item, -litres, Reason.DECANTED, booking)
        litres_move(can, litres, Reason.DECANTED, booking)
    can.refresh_from_db()
    return can


def stock_transfer(person: Person, item: StockItem, litres: float, to: Depot) -> StockItem:
    """Move litres to another depot's shelf; both sides move together. Opened packs go whole or stay."""
    _may_store(person)
    _above(litres, "litres")
    if to.pk == item.depot_id:
        sentence = f"“{item.label}” already stands at {to.code}."
        raise InputError(sentence, fields={"to": sentence})
    if item.opened_on is None and _rest(litres, item.pack_size_l) > DUST_L:
        sentence = (
            f"Sealed packs of {item.pack_size_l:g} L move whole; give a multiple of that, or open one first."
        )
        raise InputError(sentence, fields={"litres": sentence})
    with transaction.atomic():
        held = StockItem.objects.select_for_update().get(pk=item.pk)
        if held.opened_on is not None and abs(litres - held.on_shelf_l) > DUST_L:
            sentence = f"An opened pack moves whole: give {held.on_shelf_l:g} L, or decant into a can of its own first."
            raise InputError(sentence, fields={"litres": sentence})
        there = item_under(
            _empty_like(item, to, item.label, opened_on=item.opened_on, pack_size_l=item.pack_size_l)
        )
        booking = Booking(person, f"from {item.depot.code} to {to.code}")
        litres_move(item, -litres, Reason.MOVED, booking)
        litres_move(there, litres, Reason.MOVED, booking)
    there.refresh_from_db()
    return there


def batch_set_aside(
    person: Person, product: Product, batch: str, note: str, *, is_released: bool = False
) -> int:
    """Quarantine every item of a batch on the shelves the person sees, or release it; returns how many changed.

    A reason is needed and recorded. Raises NotAllowed, InputError.
    """
    _may_store(person)
    if not batch.strip() or not note.strip():
        sentence = "Name the batch and say why, e.g. “supplier's notice”."
        raise InputError(sentence, fields={"note" if batch.strip() else "batch": sentence})
    with transaction.atomic():
        items = list(
            StockItem.objects.select_for_update().filter(
                product=product,
                batch=batch.strip(),
                depot__in=shelves_seen(person),
                is_quarantined=is_released,
            )
        )
        records: list[ChangeRecord] = []
        for item in items:
            item.is_quarantined = not is_released
            item.save(update_fields=["is_quarantined"])
            records.append(
                change_note(
                    item,
                    f"{product.code} {item.label}",
                    before={"is_quarantined": is_released},
                    after={"is_quarantined": not is_released, "why": note.strip()},
                )
            )
        changes_write(records, person=person)
    return len(items)


def item_under(wanted: StockItem, *, is_any_size: bool = False) -> StockItem:
    """Return the item that stands under a label of a shelf, locked; made empty if it is not there.

    What differs in batch, date, opening, pack size or quarantine never joins what stands there; an emptied place takes
    the new ones. Runs inside the caller's transaction. Raises ConflictError.
    wanted: an unsaved item that says all of it. is_any_size: a can may be filled up whatever its size was.
    """
    kept = {name: getattr(wanted, name) for name in KEPT_APART}
    there, is_new = StockItem.objects.select_for_update().get_or_create(
        depot=wanted.depot, product=wanted.product, label=wanted.label[:40],
        defaults={**kept, "on_shelf_l": 0.0, "place": wanted.place},
    )  # fmt: skip
    compared = [name for name in KEPT_APART if not (is_any_size and name == "pack_size_l")]
    differ = [name for name in compared if getattr(there, name) != kept[name]]
    if is_new or not differ:
        return there
    if there.on_shelf_l > DUST_L:
        what = ", ".join(KEPT_APART[name] for name in differ)
        sentence = (
            f"“{there.label}” at {wanted.depot.code} holds {there.on_shelf_l:g} L that differ in {what}; they are not "
            "put together. Choose another label or place, or read the pack again."
        )
        raise ConflictError(sentence, fields={"label": sentence})
    for name, value in kept.items():
        setattr(there, name, value)
    there.save(update_fields=list(kept))
    return there


def _empty_like(
    item: StockItem, depot: Depot, label: str, *, opened_on: datetime.date | None, pack_size_l: float
) -> StockItem:
    return StockItem(
        depot=depot, product=item.product, label=label, place=item.place, pack_size_l=pack_size_l, batch=item.batch,
        use_by=item.use_by, opened_on=opened_on, is_quarantined=item.is_quarantined,
    )  # fmt: skip


def _opened_label(item: StockItem, day: datetime.date) -> str:
    stem = f"{item.label.removesuffix(' sealed')[:20]} opened {day:%y%m%d}"
    taken = set(
        StockItem.objects.filter(depot=item.depot, product=item.product, label__startswith=stem).values_list(
            "label", flat=True
        )
    )
    return next(
        label for label in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if label not in taken
    )


def _rest(litres: float, pack_size_l: float) -> float:
    rest = litres % pack_size_l
    return min(rest, pack_size_l - rest)


def _may_store(person: Person) -> None:
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not move stock; ask Stores or the foreman to book it.")


def _above(litres: float, field: str, *, is_zero_allowed: bool = False) -> None:
    is_fine = litres >= 0 if is_zero_allowed else litres > 0
    if not (is_fine and litres < 1e6):
        least = "zero or more" if is_zero_allowed else "above zero"
        sentence = f"{litres:g} L cannot be booked; give litres {least}."
        raise InputError(sentence, fields={field: sentence})
