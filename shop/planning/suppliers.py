"""Suppliers and their days: leads in working days, cut-off hours, holidays, delivery days."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, time, timedelta
from decimal import Decimal

REVIEW_DAYS = 14
BUFFER_DAYS = 7
WORKING_DAYS_A_WEEK = 5
_WEEKDAYS = frozenset(range(WORKING_DAYS_A_WEEK))
_SATURDAY = 5


@dataclass(frozen=True, slots=True)
class Supplier:
    """Who sells, and how fast.

    lead_working_days: from order to delivery. cut_off: orders after it count as the next working day's.
    closed_days: his holidays. minimum_l, minimum_cost: least per order. free_freight_from: order value, in
    money. delivery_weekdays: 0 is Monday; he delivers on these only.
    """

    name: str
    lead_working_days: int
    cut_off: time
    closed_days: frozenset[date] = frozenset()
    minimum_l: float = 0.0
    minimum_cost: Decimal = Decimal(0)
    free_freight_from: Decimal | None = None
    delivery_weekdays: frozenset[int] = _WEEKDAYS

    def __post_init__(self) -> None:
        """Refuse a supplier who could never deliver."""
        if self.lead_working_days < 0:
            raise ValueError(
                f"{self.name}: lead is 0 working days or more, not {self.lead_working_days}; correct it."
            )
        if not self.delivery_weekdays & _WEEKDAYS:
            raise ValueError(
                f"{self.name}: at least one delivery day from Monday to Friday is needed; enter it."
            )


def is_working_day(day: date, closed: Collection[date] = ()) -> bool:
    """Whether `day` is Monday to Friday and not in `closed`."""
    return day.weekday() < _SATURDAY and day not in closed


def working_days_forward(day: date, n: int, closed: Collection[date] = ()) -> date:
    """The n-th working day after `day`; with n = 0 `day` itself, working day or not.

    Raises ValueError for n below zero.
    """
    return _step(day, n, 1, closed)


def working_days_back(day: date, n: int, closed: Collection[date] = ()) -> date:
    """The n-th working day before `day`; with n = 0 `day` itself, working day or not.

    Raises ValueError for n below zero.
    """
    return _step(day, n, -1, closed)


def working_days_between(first: date, last: date, closed: Collection[date] = ()) -> int:
    """Working days after `first` up to and with `last`; 0 when `last` is not later."""
    days = (last - first).days
    return sum(is_working_day(first + timedelta(days=step), closed) for step in range(1, days + 1))


def horizon_days(
    lead_working_days: int,
    today: date,
    closed: Collection[date] = (),
    *,
    review_days: int = REVIEW_DAYS,
    buffer_days: int = BUFFER_DAYS,
) -> int:
    """Calendar days of jobs that today's order has to serve: `lead + review + buffer`.

    The next order can be placed on any day of the review period, so the longest lead among those days counts.
    That brings in weekends and holidays, and keeps the horizon from jumping with the day of the week.

    lead_working_days: the supplier's. review_days: until the list is gone through again (house default).
    buffer_days: a delivery that is late by up to a week (common practice, no source).
    Raises ValueError for a negative number of days.
    """
    if review_days < 0 or buffer_days < 0:
        raise ValueError("Review and buffer are 0 days or more; correct the settings.")
    starts = (today + timedelta(days=offset) for offset in range(review_days + 1))
    lead_days = max((working_days_forward(day, lead_working_days, closed) - day).days for day in starts)
    return lead_days + review_days + buffer_days


def arrives_on(order_day: date, order_time: time, supplier: Supplier) -> date:
    """Day of delivery of an order: the lead from the working day it counts for, then the next delivery day.

    order_time: by the supplier's clock; at or after the cut-off the next working day counts.
    """
    closed = supplier.closed_days
    counts_for = order_day
    if order_time >= supplier.cut_off or not is_working_day(order_day, closed):
        counts_for = working_days_forward(order_day, 1, closed)
    return _delivery(counts_for, supplier)


def latest_order_day(needed_on: date, supplier: Supplier) -> date:
    """Last day to order, before the cut-off, so that the fluid stands on the shelf the working day before the
    job.

    With delivery on every working day this is `needed_on` less the lead less one working day.
    """
    on_shelf_by = working_days_back(needed_on, 1, supplier.closed_days)
    day = working_days_back(on_shelf_by, supplier.lead_working_days, supplier.closed_days)
    while _delivery(day, supplier) > on_shelf_by:
        day = working_days_back(day, 1, supplier.closed_days)
    return day


def _step(day: date, n: int, direction: int, closed: Collection[date]) -> date:
    if n < 0:
        raise ValueError(f"Working days are counted from 0, not {n}; count the other way.")
    while n:
        day += timedelta(days=direction)
        n -= is_working_day(day, closed)
    return day


def _delivery(counts_for: date, supplier: Supplier) -> date:
    day = working_days_forward(counts_for, supplier.lead_working_days, supplier.closed_days)
    while day.weekday() not in supplier.delivery_weekdays:
        day = working_days_forward(day, 1, supplier.closed_days)
    return day
