"""Placing an order with a supplier, and what may happen to it afterwards other than goods coming in."""

import datetime
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import Max

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Depot, OrderedLine, OrderMail, Pack, Person, Supplier, SupplierOrder
from shop.planning.order_checks import OrderCheck, PacksWanted, check_order
from shop.planning.suppliers import arrives_on
from shop.selectors.suppliers import closed_days_of, pack_figures, supplier_figures
from shop.services.changes import change_note, changes_write
from shop.services.order_state import shelf_hold
from shop.services.orders import order_list_propose

MOST_PACKS = 9_999
LONGEST_WAIT_DAYS = 730


@dataclass(frozen=True, slots=True)
class OrderAsked:
    """An order as somebody wants to place it.

    draft: which order of the depot with the supplier it is to become, as the draft page or endpoint said; the same
    draft never becomes two orders. packs: (pack, how many). mail_to: where the mail goes; empty: none goes out and
    `told` names who took the order. expected_on: the day the supplier named, None for the day that follows from his
    lead.
    """

    draft: int
    packs: Sequence[tuple[Pack, int]]
    mail_to: str = ""
    told: str = ""
    note: str = ""
    below_minimum_reason: str = ""
    expected_on: datetime.date | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """The order a draft became; is_new is False when it had become it before."""

    order: SupplierOrder
    is_new: bool


@dataclass(frozen=True, slots=True)
class Cancelled:
    """Who knows of a cancelled order.

    is_withdrawn: its mail had not been taken by a sender, so the supplier knows of no order. mail_to: where the mail
    goes that calls the order off; empty: none does, and unless the order was withdrawn a person must tell.
    """

    is_withdrawn: bool
    mail_to: str = ""


def order_place(person: Person, depot: Depot, supplier: Supplier, asked: OrderAsked) -> Placed:
    """Place an order for the shelf that serves a depot and work the ordering list out again at once.

    Order, lines, mail, change record and list are written together or not at all. People who place the same draft
    at the same moment get one order between them.

    Raises:
        NotAllowed: the person's role does not reach so far.
        InputError: nothing ordered, a broken case, below the minimum without a reason, nobody told.
        ConflictError: the draft became another order meanwhile.
    """
    _may_order(person)
    shelf = depot.stores_at or depot
    today, now_time = clock.today(shelf.time_zone), clock.local_time(shelf.time_zone)
    rows = [(pack, count) for pack, count in asked.packs if count]
    figures = supplier_figures(supplier, closed_days_of(supplier, shelf))
    if len({pack.pk for pack, _ in rows}) < len(rows):
        sentence = "The same pack is named twice; give each pack once with its whole count."
        raise InputError(sentence, fields={"packs": sentence})
    wanted = [_wanted(supplier, pack, count) for pack, count in rows]
    check = check_order(figures, wanted)
    _refuse(asked, check, today)
    with transaction.atomic():
        shelf_hold(shelf)
        before = SupplierOrder.objects.filter(depot=shelf, supplier=supplier)
        if earlier := before.filter(draft=asked.draft).first():
            return Placed(_same(earlier, wanted), is_new=False)
        if asked.draft != before.count():
            raise ConflictError(
                "This draft is not known; open the draft of the order again and place that one."
            )
        order = SupplierOrder.objects.create(
            depot=shelf, supplier=supplier, draft=asked.draft, **_next_number(shelf, today), placed_at=clock.now(),
            placed_by=person, ordered_on=today, mail_to=asked.mail_to.strip(), told=asked.told.strip(),
            expected_on=asked.expected_on or arrives_on(today, now_time, figures), note=asked.note.strip(),
            below_minimum_reason=asked.below_minimum_reason.strip() if check.below_minimum else "",
        )  # fmt: skip
        OrderedLine.objects.bulk_create(_lines(order, rows))
        if order.mail_to:
            OrderMail.objects.create(order=order, to_address=order.mail_to, queued_at=clock.now())
        changes_write([_note(order, check, wanted)], person=person)
        order_list_propose(shelf, today, now_time)
    return Placed(order, is_new=True)


def order_cancel(person: Person, order: SupplierOrder, reason: str) -> Cancelled:
    """Cancel an order of which nothing has come, and tell the supplier if he may know of it.

    A mail no sender has taken yet is withdrawn; otherwise another one goes to the address the order went to, or to
    the supplier's own. Raises NotAllowed, InputError, ConflictError.
    """
    _may_order(person)
    if not reason.strip():
        sentence = "Say why the order is cancelled, e.g. “ordered twice”."
        raise InputError(sentence, fields={"reason": sentence})
    with transaction.atomic():
        lines, held = _held(order)
        if not held.is_open:
            raise ConflictError(f"{held.number} is {held.state} already; nothing is left to cancel.")
        if any(line.received_l for line in lines):
            raise ConflictError(
                f"Part of {held.number} has come; give the rest of a line up instead of cancelling the order."
            )
        today = clock.today(held.depot.time_zone)
        for line in lines:
            line.is_open, line.closed_on = False, today
        OrderedLine.objects.bulk_update(lines, ["is_open", "closed_on"])
        before = held.state
        held.state, held.closed_on = SupplierOrder.State.CANCELLED, today
        held.cancel_reason = reason.strip()
        held.save(update_fields=["state", "closed_on", "cancel_reason"])
        told = _call_off(held)
        after = {
            "state": held.state, "why": held.cancel_reason, "mail_withdrawn": told.is_withdrawn,
            "cancellation_to": told.mail_to,
        }  # fmt: skip
        changes_write([change_note(held, held.number, before={"state": before}, after=after)], person=person)
        order_list_propose(held.depot, today, clock.local_time(held.depot.time_zone))
    return told


def _call_off(order: SupplierOrder) -> Cancelled:
    """Withdraw the mail of an order, or write the one that calls the order off."""
    queued = OrderMail.objects.filter(order=order, state=OrderMail.State.QUEUED)
    is_withdrawn = bool(queued.filter(claimed_at__isnull=True).delete()[0])
    # One that was tried before may be out all the same.
    queued.delete()
    mail_to = "" if is_withdrawn else order.mail_to or order.supplier.mail
    if mail_to:
        OrderMail.objects.create(
            order=order, kind=OrderMail.Kind.CANCELLATION, to_address=mail_to, queued_at=clock.now()
        )
    return Cancelled(is_withdrawn, mail_to)


def order_chase(person: Person, order: SupplierOrder, promised_on: datetime.date, note: str) -> None:
    """Note the new day a supplier named for what is still to come; the first day named stays beside it.

    Raises NotAllowed, InputError, ConflictError.
    """
    _may_order(person)
    today = clock.today(order.depot.time_zone)
    fields = {}
    if not 0 <= (promised_on - today).days <= LONGEST_WAIT_DAYS:
        fields["promised_on"] = f"Give the day it is to come, from {today} on."
    if not note.strip():
        fields["note"] = "Say who named that day and how, e.g. “Oda on the phone”."
    if fields:
        raise InputError(next(iter(fields.values())), fields=fields)
    with transaction.atomic():
        lines, held = _held(order)
        coming = [line for line in lines if line.is_open]
        if not coming:
            raise ConflictError(f"{held.number} is {held.state}; nothing of it is to come.")
        before = {"coming_on": coming[0].coming_on}
        for line in coming:
            line.promised_on = promised_on
        OrderedLine.objects.bulk_update(coming, ["promised_on"])
        after = {"coming_on": promised_on, "said": note.strip()}
        changes_write([change_note(held, held.number, before=before, after=after)], person=person)
        order_list_propose(held.depot, today, clock.local_time(held.depot.time_zone))


def order_mail_again(person: Person, order: SupplierOrder) -> None:
    """Put a mail that failed, or of which nobody knows whether it went out, back into the outbox.

    Of a cancelled order that is the mail that calls it off: the order itself never goes out any more.

    Raises NotAllowed, ConflictError.
    """
    _may_order(person)
    with transaction.atomic():
        is_over = order.state == SupplierOrder.State.CANCELLED
        kind = OrderMail.Kind.CANCELLATION if is_over else OrderMail.Kind.ORDER
        mail = OrderMail.objects.select_for_update().filter(order=order, kind=kind).first()
        if mail is None or mail.state not in (OrderMail.State.FAILED, OrderMail.State.UNSURE):
            state = "none" if mail is None else mail.state
            raise ConflictError(
                f"The mail of {order.number} is {state}; only one that failed or is unsure goes out again."
            )
        before = {"mail": mail.state}
        mail.state, mail.attempts, mail.error = OrderMail.State.QUEUED, 0, ""
        mail.save(update_fields=["state", "attempts", "error"])
        changes_write(
            [change_note(order, order.number, before=before, after={"mail": mail.state})], person=person
        )


def _may_order(person: Person) -> None:
    if not person.can("plan"):
        raise NotAllowed("Your role may not order; ask Stores or the foreman.")


def _wanted(supplier: Supplier, pack: Pack, count: int) -> PacksWanted:
    sentence = ""
    if pack.supplier_id != supplier.pk:
        sentence = f"{supplier.name} does not sell {pack}; order it from {pack.supplier.name}."
    elif pack.price <= 0:
        sentence = f"{pack} has no price; enter one before ordering it."
    elif not 0 < count <= MOST_PACKS:
        sentence = f"{pack}: {count} packs cannot be ordered; give 0 to {MOST_PACKS}."
    if sentence:
        raise InputError(sentence, fields={"packs": sentence})
    return PacksWanted(pack.product.code, pack_figures(pack), count)


def _refuse(asked: OrderAsked, check: OrderCheck, today: datetime.date) -> None:
    fields: dict[str, str] = {}
    if check.refusals:
        fields["packs"] = " ".join(reason.text for reason in check.refusals)
    elif check.below_minimum and not asked.below_minimum_reason.strip():
        below = " ".join(reason.text for reason in check.below_minimum)
        fields["below_minimum_reason"] = f"{below} Or say why it is ordered all the same."
    if asked.mail_to.strip():
        try:
            validate_email(asked.mail_to.strip())
        except ValidationError:
            fields["mail_to"] = (
                f"“{asked.mail_to}” is no mail address; write one like orders@supplier.example."
            )
    elif not asked.told.strip():
        fields["told"] = "Give a mail address, or say who took the order by word of mouth."
    if asked.expected_on and not 0 <= (asked.expected_on - today).days <= LONGEST_WAIT_DAYS:
        fields["expected_on"] = f"Give the day it is to come, from {today} on."
    if fields:
        raise InputError(next(iter(fields.values())), fields=fields)


def _same(earlier: SupplierOrder, wanted: Sequence[PacksWanted]) -> SupplierOrder:
    """Return the order the draft became before, if it is for the same packs."""
    was = {
        (line.product.code, pack["printed"]): pack["count"]
        for line in earlier.lines.select_related("product")
        for pack in line.packs
    }
    if was != {(row.product, row.pack.label): row.count for row in wanted}:
        at = earlier.placed_at.astimezone(zoneinfo.ZoneInfo(earlier.depot.time_zone))
        raise ConflictError(
            f"{earlier.placed_by or 'Somebody'} placed {earlier.number} with {earlier.supplier.name} at {at:%H:%M}, "
            "after you opened this draft; nothing was ordered twice. Open the draft again for what is still missing.",
            code="draft-placed",
        )
    return earlier


def _next_number(shelf: Depot, today: datetime.date) -> dict[str, object]:
    newest = SupplierOrder.objects.filter(depot=shelf, year=today.year).aggregate(newest=Max("sequence"))
    sequence = (newest["newest"] or 0) + 1
    return {
        "year": today.year,
        "sequence": sequence,
        "number": f"{shelf.code}-{today.year}-{sequence:03d}",
    }


def _lines(order: SupplierOrder, rows: Sequence[tuple[Pack, int]]) -> list[OrderedLine]:
    """One line per product, with its packs as they are sold today."""
    lines: dict[int, OrderedLine] = {}
    for pack, count in sorted(rows, key=lambda row: (row[0].product.code, -row[0].size_l)):
        line = lines.setdefault(
            pack.product_id,
            OrderedLine(
                order=order, depot=order.depot, supplier=order.supplier, product=pack.product, litres=0.0, cost=0,
                ordered_on=order.ordered_on, expected_on=order.expected_on, packs=[],
            ),
        )  # fmt: skip
        line.litres += count * pack.size_l
        line.cost += count * pack.price
        line.packs.append(
            {"count": count, "printed": pack.printed, "size_l": pack.size_l, "price": f"{pack.price:.2f}"}
        )
    return list(lines.values())


def _note(order: SupplierOrder, check: OrderCheck, wanted: Sequence[PacksWanted]) -> object:
    after = {
        "supplier": order.supplier, "litres": check.litres, "cost": check.cost, "expected_on": order.expected_on,
        "packs": [f"{row.count} × {row.product} {row.pack.label}" for row in wanted], "mail_to": order.mail_to,
        "told": order.told, "below_minimum": order.below_minimum_reason,
    }  # fmt: skip
    return change_note(order, order.number, after=after)


def _held(order: SupplierOrder) -> tuple[list[OrderedLine], SupplierOrder]:
    """Hold the order's shelf and read the order again with its lines, as nobody else can change them now."""
    shelf_hold(order.depot)
    held = SupplierOrder.objects.select_related("depot", "supplier").get(pk=order.pk)
    return list(held.lines.order_by("pk")), held
