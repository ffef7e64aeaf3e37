"""The mails that carry an order to its supplier or call it off, as text."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class PackFacts:
    """So many packs of one size; price: of one, as text."""

    count: int
    printed: str
    product: str
    price: str


@dataclass(frozen=True, slots=True)
class OrderFacts:
    """An order as the supplier is to read it. cost: of all packs, as text."""

    number: str
    depot: str
    customer_number: str
    ordered_by: str
    ordered_on: date
    expected_on: date
    note: str
    packs: tuple[PackFacts, ...]
    litres: float
    cost: str
    currency: str


def order_subject(order: OrderFacts) -> str:
    """Return the subject: the number first, so that answers are found by it."""
    customer = f", customer {order.customer_number}" if order.customer_number else ""
    return f"Order {order.number} from {order.depot}{customer}"


def order_text(order: OrderFacts) -> str:
    """Return the text: what is ordered, line by line, and what it adds up to."""
    day = order.expected_on
    note = ["", order.note] if order.note else []
    rows = [
        f"  {pack.count} x {pack.printed}  {pack.product}  at {pack.price} {order.currency} each"
        for pack in order.packs
    ]
    return "\n".join(
        [
            f"Please deliver to {order.depot}, on {day:%A} {day.day} {day:%B %Y} if you can:",
            "",
            *rows,
            "",
            f"Together {order.litres:.10g} L, {order.cost} {order.currency}.",
            *note,
            "",
            f"Please write {order.number} on the delivery note, and answer this mail if the day cannot be kept.",
            "The order is attached as PDF and as CSV.",
            *(["", order.ordered_by] if order.ordered_by else []),
            "",
        ]
    )


def cancellation_subject(order: OrderFacts) -> str:
    """Return the subject: what happened first, then the order's own."""
    return f"Cancelled: {order_subject(order)}"


def cancellation_text(order: OrderFacts) -> str:
    """Return the text: what is not to be delivered any more, line by line, and what it adds up to."""
    day = order.ordered_on
    return "\n".join(
        [
            f"Order {order.number} of {day:%A} {day.day} {day:%B %Y} is cancelled. Please deliver none of it to "
            f"{order.depot}:",
            "",
            *(f"  {pack.count} x {pack.printed}  {pack.product}" for pack in order.packs),
            "",
            f"Together {order.litres:.10g} L.",
            "",
            "Please answer this mail if any of it is on its way already.",
            *(["", order.ordered_by] if order.ordered_by else []),
            "",
        ]
    )
