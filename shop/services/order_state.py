"""Keeps an order's state with its lines."""

import datetime

from shop.models import OrderedLine, SupplierOrder


def order_follow(line: OrderedLine, today: datetime.date) -> None:
    """Bring the state of a line's order up to date; inside the caller's transaction, which has written the line.

    The order's row is locked before its lines are read, so of two deliveries at once the last sees both.
    """
    if line.order_id is None:
        return
    order = SupplierOrder.objects.select_for_update().get(pk=line.order_id)
    lines = list(order.lines.all())
    if all(not own.is_open for own in lines):
        order.state, order.closed_on = SupplierOrder.State.CLOSED, today
    elif any(own.received_l or not own.is_open for own in lines):
        order.state = SupplierOrder.State.PART_RECEIVED
    order.save(update_fields=["state", "closed_on"])
