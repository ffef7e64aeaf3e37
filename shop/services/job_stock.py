"""Fluid off the shelf and old fluid into its tank, as part of closing a job."""

import datetime

from django.db.models import Q

from shop.errors import ConflictError, InputError
from shop.models import (
    BulkTank,
    Depot,
    Job,
    Person,
    Product,
    StockItem,
    StockMovement,
    WasteMovement,
    WasteTank,
)
from shop.planning.demand import DUST_L
from shop.selectors.may_go_in import why_not
from shop.selectors.shelf import first_to_use
from shop.services.stock import Booking, litres_move, pack_begin
from shop.services.wastes import Pour, waste_move


def stock_issue(
    person: Person, depot: Depot, job: Job, product: Product, litres: float, day: datetime.date, batch: str
) -> str:
    """Take the litres off the depot's shelf, from the batch named or what expires first; return the batches.

    A pack that is begun becomes an item of its own, so that its opened life does not age the sealed ones.
    Raises InputError for a batch that is not there, ConflictError when the books do not hold the litres.
    """
    shelf = depot.stores_at or depot
    items = first_to_use(shelf.pk, product, day)
    if batch:
        items = [item for item in items if batch in (item.batch, item.label)]
        if not items:
            sentence = _why_not_taken(shelf, product, job, batch)
            raise InputError(sentence, fields={"batch": sentence})
    booking = Booking(person, job=job)
    wanted, used = litres, []
    for item in items:
        taken = min(wanted, item.on_shelf_l)
        _take(booking, item, taken, day)
        used.append(item.batch or item.label)
        wanted -= taken
        if wanted <= DUST_L:
            return ", ".join(dict.fromkeys(used))[:40]
    sentence = (
        f"{litres:.2f} L went in but {wanted:.2f} L of {product.code} are not on the shelf by the books; "
        "count the shelf, load the count (stock.csv) and close the job again."
    )
    raise ConflictError(sentence, fields={"in_l": sentence})


def _why_not_taken(shelf: Depot, product: Product, job: Job, batch: str) -> str:
    """Return why a batch or label that was named is not what goes in."""
    there = StockItem.objects.filter(Q(batch=batch) | Q(label=batch), depot=shelf, on_shelf_l__gt=0)
    item = there.filter(product=product).first() or there.select_related("product").order_by("pk").first()
    if item is None:
        return f"No {product.code} with the batch or label “{batch}” stands on the shelf; read it off the pack again."
    if item.product_id == product.pk:
        why = "is set aside" if item.is_quarantined else "is past its use-by or opened life"
        return f"“{batch}” {why}; take another pack of {product.code}."
    model = job.unit.unit_model
    reason = why_not(item.product, model) or f"{model.code} is filled with {product.code} here."
    return f"“{batch}” is {item.product.code}. {reason} Take {product.code}."


def _take(booking: Booking, item: StockItem, litres: float, day: datetime.date) -> None:
    """Take litres from an item; of sealed packs the last one may be begun, and what stays in it counts as opened.

    A tank is no pack: what stays in it stays the tank.
    """
    begun_l = 0.0
    if item.opened_on is None and not BulkTank.objects.filter(item=item).exists():
        rest_l = (item.on_shelf_l - litres) % item.pack_size_l
        begun_l = 0.0 if min(rest_l, item.pack_size_l - rest_l) <= DUST_L else rest_l
    litres_move(item, -litres, StockMovement.Reason.FILLED, booking)
    if begun_l:
        pack_begin(item, begun_l, day, booking)


def waste_take(depot: Depot, job: Job, product: Product, litres: float) -> None:
    """Add what came out to the tank of its stream, the depot's own or that of the depot with its stores.

    A stream without a tank is nobody's number and stays out. Raises ConflictError when the tank cannot take it.
    """
    tanks = {
        tank.depot_id: tank
        for tank in WasteTank.objects.filter(
            depot__in=[depot.pk, depot.stores_at_id], stream=product.waste_stream
        )
    }
    tank = tanks.get(depot.pk) or tanks.get(depot.stores_at_id or depot.pk)
    if tank is None:
        return
    waste_move(tank, litres, WasteMovement.Reason.POURED, Pour(job=job))
