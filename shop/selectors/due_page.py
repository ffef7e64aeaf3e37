"""One page of the due list: its lines as plain records, by the place of the line beside it."""

import datetime
from collections import namedtuple
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import QuerySet

from shop.models import Depot, DueLine
from shop.selectors.column_reading import keys_of, one_of
from shop.selectors.due import SPLIT_ORDER
from shop.selectors.due_today import explained
from shop.selectors.keyset import KeysetOrder, Place, place_read, place_text
from shop.selectors.line_records import read_rows

SHOWN = (
    "pk", "unit_id", "rule_id", "state", "overlays", "must_not_move", "due_on", "due_low_on", "due_high_on", "book_by",
    "due_clock",
)  # fmt: skip
SALT = "page of the due list"
VEHICLE = ("vehicle__number", "vehicle__name", "vehicle__depot_id")
UNIT = {"id": "u.id", "code": "u.code", "kind": "m.kind"}
RULE = {"id": "r.id", "subject": "r.subject"}

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

    @property
    def text(self) -> str:
        """The same as text for an address, signed; which way it goes is not in it."""
        return place_text([self.number, *self.place], SALT)

    @classmethod
    def read(cls, text: str, *, is_back: bool) -> "Beside":
        """Return where a page goes on from its text.

        Raises:
            django.core.signing.BadSignature: no page gave that text.
        """
        number, *place = place_read(text, SALT)
        return cls(place, number, is_back)


@dataclass(frozen=True, slots=True)
class DuePage:
    """A page of lines with the number of lines before it; previous and next where there is more."""

    lines: list[LineShown]
    number: int
    previous: Beside | None
    next: Beside | None


def due_page(
    lines: QuerySet[DueLine], depots: Iterable[Depot], size: int, beside: Beside | None = None
) -> DuePage:
    """Return a page of lines in working order, brought to today; a handful of queries, on any page.

    What all lines share is read beside them, not joined to each: to plan a long join takes longer than to run it.

    lines: in working order. depots: all that the lines are of. size: lines on a page. beside: the first page without.
    """
    order = KeysetOrder(lines, SPLIT_ORDER, (*SHOWN, *VEHICLE))
    if beside is not None and beside.is_back:
        rows = order.before(beside.place, size + 1)
        if len(rows) > size:
            return _page(order, depots, rows[1:], max(beside.number - size, 1), has_next=True)
        beside = None
    rows = order.after(beside.place if beside else None, size + 1)
    return _page(order, depots, rows[:size], beside.number if beside else 0, has_next=len(rows) > size)


def _page(
    order: KeysetOrder, depots: Iterable[Depot], rows: list[Any], number: int, *, has_next: bool
) -> DuePage:
    has_previous = number > 0 and bool(rows)
    return DuePage(
        lines=explained(_shown(rows, depots)),
        number=number,
        previous=Beside(order.place_of(rows[0]), number, is_back=True) if has_previous else None,
        next=Beside(order.place_of(rows[-1]), number + len(rows)) if has_next else None,
    )


def _shown(rows: list[Any], depots: Iterable[Depot]) -> list[LineShown]:
    units = read_rows(
        UNIT,
        "from shop_unit u join shop_unitmodel m on m.id = u.unit_model_id "
        f"where {one_of('u.id', keys_of({row.unit_id for row in rows}))}",
    )
    rule_pks = keys_of({row.rule_id for row in rows})
    rules = read_rows(RULE, f"from shop_intervalrule r where {one_of('r.id', rule_pks)}")
    depot_by = {depot.pk: depot for depot in depots}
    unit_by = {pk: Unit(code, UnitModel(kind)) for pk, code, kind in units}
    rule_by = {pk: Rule(subject) for pk, subject in rules}
    return [
        LineShown(
            *row[: len(SHOWN)],
            vehicle=Vehicle(row.vehicle__number, row.vehicle__name, depot_by[row.vehicle__depot_id]),
            unit=unit_by[row.unit_id],
            rule=rule_by[row.rule_id],
        )
        for row in rows
    ]
