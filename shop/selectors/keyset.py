"""One page of rows by the place of a row beside it: as fast on any page, stable while rows come and go.

A place is the value of each column of the order for one row; it travels in addresses as signed text.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import and_, or_
from typing import Any

from django.core import signing
from django.db import connection
from django.db.models import F, OrderBy, Q, QuerySet, Value
from django.db.models.expressions import Col

Place = list[Any]


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of an order. empties: where its empty values stand, “first” or “last”; “” where it has none."""

    name: str
    key: OrderBy
    empties: str

    def turned(self) -> "_Column":
        key = self.key
        order = OrderBy(
            key.expression,
            descending=not key.descending,
            nulls_first=key.nulls_last,
            nulls_last=key.nulls_first,
        )
        return _Column(self.name, order, {"first": "last", "last": "first"}.get(self.empties, ""))

    def same(self, value: Any) -> Q:
        """Return the rows with this very value."""
        if value is None:
            return Q((f"{self.name}__isnull", True))
        # Compared as a value: SQLite looks no “not” up in an index.
        return Q((self.name, Value(value) if isinstance(value, bool) else value))

    def side(self, value: Any) -> Q:
        """Return the rows with this value or one further on, without the empty ones after it."""
        if value is None:
            return self.same(None)
        return Q((f"{self.name}__{'lte' if self.key.descending else 'gte'}", value))

    def steps(self, value: Any) -> list[Q]:
        """Return what lies further on than a value, the nearest first: other values, then the empty ones."""
        if value is None:
            return [Q((f"{self.name}__isnull", False))] if self.empties == "first" else []
        further = [Q((f"{self.name}__{'lt' if self.key.descending else 'gt'}", value))]
        return [*further, self.same(None)] if self.empties == "last" else further


class KeysetOrder:
    """Rows in an order, fetched page by page; the order must end in a unique column."""

    def __init__(self, rows: QuerySet[Any], split: int = 0, fields: Sequence[str] = ()) -> None:
        """Take the rows in their order.

        split: how many leading columns are gone through one value after the other, each with a query of its own where
        a page reaches beyond it; for an index whose columns do not all run the same way. fields: what to read of a row,
        as a named tuple; without any it is an object of its model.
        """
        keys = [_order_key(order) for order in rows.query.order_by or ("pk",)]
        names = [f"key_{at}" for at, _ in enumerate(keys)]
        self._split = split
        self._columns = [
            _Column(name, key, _empties(rows, key)) for name, key in zip(names, keys, strict=True)
        ]
        rows = rows.annotate(**{name: key.expression for name, key in zip(names, keys, strict=True)})
        self._rows = rows.values_list(*fields, *names, named=True) if fields else rows

    def after(self, place: Place | None, size: int) -> list[Any]:
        """Return the next rows after a place, or the first ones; `size` of them at most."""
        return self._nearest(self._columns, place, size)

    def before(self, place: Place, size: int) -> list[Any]:
        """Return the last rows before a place, in the same order; `size` of them at most."""
        return self._nearest([column.turned() for column in self._columns], place, size)[::-1]

    def place_of(self, row: Any) -> Place:
        """Return the place of a row that was fetched here, in values that JSON can carry."""
        values = [getattr(row, column.name) for column in self._columns]
        return [value.isoformat() if isinstance(value, datetime.date) else value for value in values]

    def _nearest(self, columns: Sequence[_Column], place: Place | None, size: int) -> list[Any]:
        ordered = self._rows.order_by(*(column.key for column in columns))
        if place is None:
            return list(ordered[:size])
        found: list[Any] = []
        for beyond in _beyond(columns, place, self._split):
            found += ordered.filter(beyond)[: size - len(found)]
            if len(found) == size:
                break
        return found


def place_text(place: Place, salt: str) -> str:
    """Return a place as signed text for an address. salt: names the list, so that no other takes it."""
    return signing.dumps(place, salt=salt, compress=True)


def place_read(text: str, salt: str) -> Place:
    """Return the place behind a signed text.

    Raises:
        django.core.signing.BadSignature: this list never gave that text.
    """
    place: Place = signing.loads(text, salt=salt)
    return place


def _order_key(order: str | OrderBy | Any) -> OrderBy:
    if isinstance(order, str):
        return OrderBy(F(order.removeprefix("-")), descending=order.startswith("-"))
    return order if isinstance(order, OrderBy) else OrderBy(order)


def _empties(rows: QuerySet[Any], key: OrderBy) -> str:
    """Say where empty values stand: as the order says, or as the database has it by itself."""
    column = key.expression.resolve_expression(rows.query.clone())
    if isinstance(column, Col) and not column.target.null:
        return ""
    if key.nulls_first or key.nulls_last:
        return "first" if key.nulls_first else "last"
    # To PostgreSQL an empty value is the greatest, to SQLite the least.
    return "first" if key.descending == (connection.vendor == "postgresql") else "last"


def _beyond(columns: Sequence[_Column], place: Place, split: int) -> list[Q]:
    """Return the conditions that one after the other hold all rows beyond a place.

    Each holds its leading columns to one value and the next to one side of it, so that an index can begin at the place.
    """
    same = [column.same(value) for column, value in zip(columns, place, strict=True)]
    steps = [column.steps(value) for column, value in zip(columns, place, strict=True)]
    # Of the column after the split, first what is no further than the rest of the same value needs.
    near, *further = _near_first(same[split:], steps[split:], has_value=place[split] is not None)
    found = [[columns[split].side(place[split]) & near, *further]]
    found += [steps[at] for at in reversed(range(split))]
    held = [reduce(and_, same[:at], Q()) for at in reversed(range(split + 1))]
    return [lead & step for lead, own in zip(held, found, strict=True) for step in own]


def _near_first(same: Sequence[Q], steps: Sequence[list[Q]], *, has_value: bool) -> list[Q]:
    rest = same[0] & _chain(same[1:], steps[1:]) if len(steps) > 1 else None
    if rest is None:
        return steps[0]
    return [steps[0][0] | rest, *steps[0][1:]] if has_value else [rest, *steps[0]]


def _chain(same: Sequence[Q], steps: Sequence[list[Q]]) -> Q:
    """Return “further on in the first column, or the same there and further on in the next”, and so on."""
    further = list(steps[0])
    if len(steps) > 1:
        further.append(same[0] & _chain(same[1:], steps[1:]))
    return reduce(or_, further)
