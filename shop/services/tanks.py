"""Bulk tanks: set up, delivered into, issued by meter, dipped; the ledger moves by movements only."""

from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet, Sum

from intervals.errors import HatchmarkError
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import BulkTank, OrderedLine, Person, StockItem, StockMovement, TankDip, TankMark
from shop.models.codes import in_addresses
from shop.planning.bulk_tank import litres_from_dip
from shop.planning.demand import DUST_L
from shop.selectors.tanks import at_15_c
from shop.services.changes import change_note, changes_write
from shop.services.goods_in import order_check, order_receive
from shop.services.order_state import shelf_hold
from shop.services.orders import order_list_propose
from shop.services.stock import Booking, litres_move, stock_count
from shop.services.wastes import MOST_LITRES

Reason = StockMovement.Reason
Mark = tuple[float, float]


@dataclass(frozen=True, slots=True)
class TankReport:
    """A tank as a person describes it: its capacity and its dip table, millimetres and litres of each line."""

    code: str
    capacity_l: float
    name: str = ""
    marks: tuple[Mark, ...] = ()


def tank_write(person: Person, item: StockItem, report: TankReport) -> BulkTank:
    """Make a stock item a tank, or change the tank it is; what is the same changes nothing.

    Raises NotAllowed, InputError naming the fields that are wrong.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change tanks; ask the foreman.")
    with transaction.atomic():
        held_item = StockItem.objects.select_for_update(of=("self",)).get(pk=item.pk)
        held = BulkTank.objects.filter(item=held_item).first()
        wrong = _faults(report, held_item, held)
        if wrong:
            raise InputError(" ".join(wrong.values()), fields=wrong)
        tank = held or BulkTank(item=held_item)
        values: dict[str, object] = {
            "code": report.code.strip(), "name": report.name.strip(), "capacity_l": report.capacity_l,
        }  # fmt: skip
        marks = [list(mark) for mark in sorted(report.marks)]
        before = {name: getattr(tank, name) for name in values} if held else None
        if before is not None:
            before["marks"] = [list(mark) for mark in tank.marks.values_list("mm", "litres")]
        after = values | {"marks": marks}
        if before == after:
            return tank
        for name, value in values.items():
            setattr(tank, name, value)
        tank.save()
        # A tank's pack is the tank: its size never limits a count, and nothing of it is ever "begun".
        StockItem.objects.filter(pk=held_item.pk).update(pack_size_l=report.capacity_l)
        tank.marks.all().delete()
        TankMark.objects.bulk_create(TankMark(tank=tank, mm=mm, litres=litres) for mm, litres in marks)
        changes_write([change_note(tank, tank.code, before=before, after=after)], person=person)
    return tank


def tank_delivery(
    person: Person,
    tank: BulkTank,
    litres: float,
    batch: str,
    delivery: OrderedLine | None = None,
    note: str = "",
) -> StockMovement:
    """Book litres delivered into a tank, against an order or without one; the tank carries the newest batch.

    Raises NotAllowed, InputError, ConflictError when they do not fit or the order is for something else.
    """
    if not person.can("plan"):
        raise NotAllowed("Your role may not book goods in; ask Stores or the foreman.")
    _check_litres(litres)
    if not batch.strip():
        sentence = "Type the batch of the delivery note; without it no notice can find it."
        raise InputError(sentence, fields={"batch": sentence})
    with transaction.atomic():
        shelf_hold(tank.item.depot)
        item = _locked(tank)
        _check_room(tank, item, litres)
        if delivery is not None:
            delivery = (
                OrderedLine.objects.select_for_update(of=("self",))
                .select_related("product", "supplier")
                .get(pk=delivery.pk)
            )
            order_check(delivery, item.depot, item.product)
        words = f"batch {batch.strip()}" + (f"; {note.strip()}" if note.strip() else "")
        moved = litres_move(item, litres, Reason.GOODS_IN, Booking(person, words, delivery=delivery))
        StockItem.objects.filter(pk=item.pk).update(batch=batch.strip()[:40])
        if delivery is not None:
            order_receive(delivery, litres, clock.today(item.depot.time_zone))
        zone = item.depot.time_zone
        order_list_propose(item.depot, clock.today(zone), clock.local_time(zone))
    return moved


def tank_issue(person: Person, tank: BulkTank, litres: float, note: str) -> StockMovement:
    """Book litres the meter showed outside a job, e.g. a top-up at the pump; closing a job books its own.

    Raises NotAllowed, InputError, ConflictError when the books do not hold them.
    """
    if not (person.can("do") or person.can("plan")):
        raise NotAllowed("Your role may not take fluid; ask a technician or Stores.")
    _check_litres(litres)
    if not note.strip():
        sentence = "Say for what it was, e.g. “K22 top-up”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        return litres_move(tank.item, -litres, Reason.FILLED, Booking(person, note.strip()))


@dataclass(frozen=True, slots=True)
class Dip:
    """A dip: litres as read, or millimetres for the dip table; temp_c of the fluid, None where it was not taken."""

    litres: float | None = None
    mm: float | None = None
    temp_c: float | None = None
    note: str = ""


def tank_dip(person: Person, tank: BulkTank, dip: Dip) -> TankDip:
    """Note a dip beside what the books hold at this moment. The ledger does not move.

    Raises NotAllowed; InputError for neither or both of litres and millimetres, a stick beyond the table, litres that
    do not fit, a temperature outside the fluid's law.
    """
    if not any(person.can(action) for action in ("do", "plan")):
        raise NotAllowed("Your role may not dip a tank; ask a technician or Stores.")
    with transaction.atomic():
        # Whoever moves litres locks the item first, so the books stand still while they are read.
        item = _locked(tank)
        litres = _dipped_litres(tank, dip)
        try:
            at_15_c(item.product, litres, dip.temp_c)
        except HatchmarkError as error:
            raise InputError(str(error), fields={"temp_c": str(error)}) from error
        delivered_l, issued_l, newest = moved_since_last_dip(tank, item)
        return TankDip.objects.create(
            tank=tank, dipped_at=clock.now(), mm=dip.mm, litres=litres, temp_c=dip.temp_c, book_l=item.on_shelf_l,
            delivered_l=delivered_l, issued_l=issued_l, newest_movement=newest, dipped_by=person,
            note=dip.note.strip()[:200],
        )  # fmt: skip


def moved_since_last_dip(
    tank: BulkTank, item: StockItem
) -> tuple[float | None, float | None, StockMovement | None]:
    """Return what the books delivered and issued since the dip before, and the newest movement.

    Counted corrections and loaded counts are in neither: a dip is compared with a dip. None before the first dip.
    """
    moves: QuerySet[StockMovement] = StockMovement.objects.filter(item=item)
    newest = moves.order_by("-pk").first()
    last = TankDip.objects.filter(tank=tank).order_by("-dipped_at", "-pk").first()
    if last is None:
        return None, None, newest
    since = moves.exclude(reason=Reason.COUNTED)
    if last.newest_movement_id is not None:
        since = since.filter(pk__gt=last.newest_movement_id)
    else:
        since = since.filter(moved_at__gte=last.dipped_at)
    arrives = Q(reason=Reason.GOODS_IN) | Q(reason__in=[Reason.MOVED, Reason.DECANTED], litres__gt=0)
    delivered_l = since.filter(arrives).aggregate(total=Sum("litres"))["total"] or 0.0
    issued_l = -(since.exclude(arrives).aggregate(total=Sum("litres"))["total"] or 0.0)
    return delivered_l, max(0.0, issued_l), newest


def dip_take_as_count(person: Person, dip: TankDip, note: str) -> StockMovement | None:
    """Take a dip's difference from the books as a counted correction, with a reason; each dip once, the newest only.

    What moved since the dip stays: the difference of that moment is added to today's books. Returns the movement, None
    when there was no difference. Raises NotAllowed, InputError, ConflictError.
    """
    if not note.strip():
        sentence = "Say why the books are put right, e.g. “meter was checked, pours 1 % more”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        item = _locked(dip.tank)
        held = TankDip.objects.select_for_update(of=("self",)).get(pk=dip.pk)
        newest = TankDip.objects.filter(tank=held.tank_id).order_by("-dipped_at", "-pk").first()
        if held.correction_id is not None:
            raise ConflictError("This dip was taken as a count already.", code="taken-already")
        if newest is None or newest.pk != held.pk:
            raise ConflictError("There is a newer dip; take that one, or dip again.", code="not-the-newest")
        if held.book_l is None:
            raise ConflictError("What the books held at this dip is not known; dip again first.")
        counted_l = item.on_shelf_l + at_15_c(item.product, held.litres, held.temp_c) - held.book_l
        if counted_l < 0:
            raise ConflictError("More was issued since than this dip found; dip again first.")
        held.correction = stock_count(person, item, counted_l, f"dip: {note.strip()}")
        held.save(update_fields=["correction"])
        return held.correction


def _locked(tank: BulkTank) -> StockItem:
    return (
        StockItem.objects.select_for_update(of=("self",))
        .select_related("product", "depot")
        .get(pk=tank.item_id)
    )


def _check_litres(litres: float) -> None:
    if not 0 < litres < MOST_LITRES:
        sentence = f"{litres:g} L cannot be booked; give litres above zero."
        raise InputError(sentence, fields={"litres": sentence})


def _check_room(tank: BulkTank, item: StockItem, litres: float) -> None:
    if item.on_shelf_l + litres > tank.capacity_l + DUST_L:
        sentence = (
            f"{tank.code} holds {item.on_shelf_l:.0f} of {tank.capacity_l:.0f} L by the books and cannot take "
            f"{litres:g} L; read the delivery note again, or dip the tank if the books are wrong."
        )
        raise ConflictError(sentence, fields={"litres": sentence})


def _dipped_litres(tank: BulkTank, dip: Dip) -> float:
    if (dip.litres is None) == (dip.mm is None):
        sentence = "Give either the litres or the millimetres of the stick."
        raise InputError(sentence, fields={"litres": sentence})
    litres = dip.litres
    if dip.mm is not None:
        try:
            litres = litres_from_dip(dip.mm, list(tank.marks.values_list("mm", "litres")))
        except ValueError as error:
            raise InputError(str(error), fields={"mm": str(error)}) from error
    if litres is None or not 0 <= litres <= tank.capacity_l:
        sentence = f"{litres:g} L do not stand in a tank of {tank.capacity_l:g} L; dip it again."
        raise InputError(sentence, fields={"litres": sentence})
    return litres


def _faults(report: TankReport, item: StockItem, held: BulkTank | None) -> dict[str, str]:
    wrong = {}
    code = report.code.strip()
    try:
        in_addresses(code)
    except ValidationError as error:
        wrong["code"] = " ".join(error.messages)
    others = BulkTank.objects.filter(code=code).exclude(pk=held.pk if held else None)
    if not code or len(code) > 24:
        wrong["code"] = "Give the tank a code of 1 to 24 characters, e.g. T1."
    elif others.exists():
        wrong["code"] = f"There is a tank {code} already; choose another code."
    if not 0 < report.capacity_l < MOST_LITRES:
        wrong["capacity_l"] = "Give the capacity in litres, above zero."
    elif report.capacity_l < item.on_shelf_l:
        wrong["capacity_l"] = (
            f"{item.on_shelf_l:g} L stand in it by the books; it cannot be smaller than that."
        )
    if item.opened_on is not None:
        wrong["item"] = f"“{item.label}” is an opened pack, no tank."
    if report.marks:
        try:
            litres_from_dip(min(report.marks)[0], report.marks)
        except ValueError as error:
            wrong["marks"] = str(error)
        if max(litres for _, litres in report.marks) > report.capacity_l:
            wrong["marks"] = f"The dip table ends above the capacity of {report.capacity_l:g} L."
    return wrong
