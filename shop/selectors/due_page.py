"""One page of the due list: its lines as plain records, by the place of the line beside it."""

import datetime
from collections import namedtuple
from dataclasses import dataclass, field
from typing import Any

from django.db.models import QuerySet

from shop.models import DueLine
from shop.selectors.due import SPLIT_ORDER
from shop.selectors.due_today import explained
from shop.selectors.keyset import KeysetOrder, Place

SHOWN = (
    "pk", "unit_id", "rule_id", "state", "overlays", "must_not_move", "due_on", "due_low_on", "due_high_on", "book_by",
    "due_clock",
)  # fmt: skip
BESIDE = (
    "vehicle__number", "vehicle__name", "vehicle__depot__name", "vehicle__depot__time_zone", "unit__code",
    "unit__unit_model__kind", "rule__subject",
)  # fmt: skip

Depot = namedtuple("Depot", "name time_zone")
Vehicle = namedtuple("Vehicle", "number name depot")
Unit = namedtuple("Unit", "code unit_model")
UnitModel = namedtuple("UnitModel", "kind")
Rule = namedtuple("Rule", "subject")


@dataclass(slots=True)
class LineShown:
    """A due line as a list shows it; its names are those of `DueLine`. The last four are made for the day."""

    pk: int
    unit_id: int
    rule_id: int
    state: str
    overlays: list[str]
    must_not_move: bool
    due_on: datetime.date | None
    due_low_on: datetime.date | None
    due_high_on: datetime.date | None
    book_by: datetime.date | None
    due_clock: str
    vehicle: Vehicle
    unit: Unit
    rule: Rule
    clock: str = ""
    used_share: float | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """Where a page goes on: after or before this place; `number` lines stand before the first of this page."""

    place: Place
    number: int
    is_back: bool = False


@dataclass(frozen=True, slots=True)
class DuePage:
    """A page of lines with the number of lines before it; previous and next where there is more."""

    lines: list[LineShown]
    number: int
    previous: Beside | None
    next: Beside | None


def due_page(lines: QuerySet[DueLine], size: int, beside: Beside | None = None) -> DuePage:
    """Return a page of lines in working order, brought to today; one query or a few, on any page.

    lines: in working order. size: lines on a page. beside: the first page without it.
    """
    order = KeysetOrder(lines, SPLIT_ORDER, (*SHOWN, *BESIDE))
    if beside is not None and beside.is_back:
        rows = order.before(beside.place, size + 1)
        if len(rows) > size:
            return _page(order, rows[1:], max(beside.number - size, 1), has_next=True)
        beside = None
    rows = order.after(beside.place if beside else None, size + 1)
    return _page(order, rows[:size], beside.number if beside else 0, has_next=len(rows) > size)


def _page(order: KeysetOrder, rows: list[Any], number: int, *, has_next: bool) -> DuePage:
    has_previous = number > 0 and bool(rows)
    return DuePage(
        lines=explained([_shown(row) for row in rows]),
        number=number,
        previous=Beside(order.place_of(rows[0]), number, is_back=True) if has_previous else None,
        next=Beside(order.place_of(rows[-1]), number + len(rows)) if has_next else None,
    )


def _shown(row: Any) -> LineShown:
    at = len(SHOWN)
    number, name, depot, time_zone, code, kind, subject = row[at : at + len(BESIDE)]
    return LineShown(
        *row[:at],
        vehicle=Vehicle(number, name, Depot(depot, time_zone)),
        unit=Unit(code, UnitModel(kind)),
        rule=Rule(subject),
    )
