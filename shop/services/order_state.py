"""Keeps an order's state with its lines, one writer at a time."""

import datetime

from shop.models import Depot, OrderedLine, SupplierOrder


def shelf_hold(shelf: Depot) -> None:
    """Lock a shelf's row for the rest of the caller's transaction, before any row of its orders or stock is touched.

    Everybody who places, receives, gives up, cancels or chases begins with this: orders get their numbers one after
    the other, of two deliveries at once the second sees the first, and nobody waits for a row in another order.
    """
    Depot.objects.select_for_update().get(pk=shelf.pk)


def order_follow(line: OrderedLine, today: datetime.date) -> None:
    """Bring the state of a line's order up to date; the caller holds the shelf and has written the line."""
    if line.order_id is None:
        return
    order = SupplierOrder.objects.get(pk=line.order_id)
    lines = list(order.lines.all())
    if all(not own.is_open for own in lines):
        order.state, order.closed_on = SupplierOrder.State.CLOSED, today
    elif any(own.received_l or not own.is_open for own in lines):
        order.state = SupplierOrder.State.PART_RECEIVED
    order.save(update_fields=["state", "closed_on"])
