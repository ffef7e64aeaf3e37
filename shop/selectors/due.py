"""The due list in working order: what must not move first, then what is latest."""

import datetime
from collections import Counter
from collections.abc import Iterable
from functools import cache
from typing import Any

from django.db import DEFAULT_DB_ALIAS
from django.db.models import Count, F, FloatField, IntegerField, OrderBy, QuerySet
from django.db.models.expressions import RawSQL

from shop.models import DueLine
from shop.models.due import STATES, WORKING_ORDER

MUST_NOT_MOVE = "must not move"
ON_HOLD = "on hold"
AFTER_SEASON = "after season"
LEAVING = "leaving"
OVERLAYS = [MUST_NOT_MOVE, ON_HOLD, AFTER_SEASON, LEAVING]

SPLIT_ORDER = 3
"""Columns of the working order that a page goes through value by value: the index on it runs up in one and down in
another, so no single comparison can begin inside it."""

STALE_AFTER_DAYS = 30
"""A last reading older than this is asked for again. Common practice, no source."""


def stale_lines(lines: QuerySet[DueLine], today: datetime.date) -> QuerySet[DueLine]:
    """Keep the lines whose date is counted from a reading too old to trust."""
    oldest = today - datetime.timedelta(days=STALE_AFTER_DAYS)
    return lines.filter(counted_from__lt=oldest)


def in_working_order(lines: QuerySet[DueLine]) -> QuerySet[DueLine]:
    """Order by state and, inside it, late and due by the most over, window open by the day to book by."""
    # What can be booked by no day comes last; PostgreSQL's index has it so by itself.
    return lines.order_by(*_by_state(), F("book_by").asc(nulls_last=True), "vehicle__number", "pk")


@cache
def _by_state() -> list[OrderBy]:
    """Return the first columns of the working order with their SQL made once: making it takes as long as a page."""
    must_not_move, rank, share, _ = WORKING_ORDER
    return [must_not_move, _made_once(rank, IntegerField()), _made_once(share, FloatField())]


def _made_once(order: OrderBy, kind: Any) -> OrderBy:
    query = DueLine.objects.all().query
    sql, params = query.get_compiler(DEFAULT_DB_ALIAS).compile(order.expression.resolve_expression(query))
    # SQLite knows the expression of an index again only with its constants in it; they are our own words and numbers.
    constants = tuple(f"'{one}'" if isinstance(one, str) else one for one in params)
    return OrderBy(RawSQL(sql % constants, (), kind), descending=order.descending)


def needs_action(lines: QuerySet[DueLine]) -> QuerySet[DueLine]:
    """Keep the lines somebody has to do or answer something about."""
    return lines.exclude(state="not yet", must_not_move=False)


def states_of(lines: Iterable[DueLine] | QuerySet[DueLine]) -> dict[str, int]:
    """Count lines per state; every state is named even when none is in it."""
    if isinstance(lines, QuerySet):
        counts = dict(lines.order_by().values_list("state").annotate(Count("pk")))
        return {state: counts.get(state, 0) for state in STATES}
    counts = Counter(line.state for line in lines)
    return {state: counts[state] for state in STATES}
