"""The due list in working order: what must not move first, then what is latest."""

import datetime
from collections import Counter
from collections.abc import Iterable

from django.db.models import Count, F, QuerySet

from shop.models import DueLine
from shop.models.due import STATES, WORKING_ORDER

MUST_NOT_MOVE = "must not move"
ON_HOLD = "on hold"
AFTER_SEASON = "after season"
LEAVING = "leaving"
OVERLAYS = [MUST_NOT_MOVE, ON_HOLD, AFTER_SEASON, LEAVING]


STALE_AFTER_DAYS = 30
"""A last reading older than this is asked for again. Common practice, no source."""


def stale_lines(lines: QuerySet[DueLine], today: datetime.date) -> QuerySet[DueLine]:
    """Keep the lines whose date is counted from a reading too old to trust."""
    oldest = today - datetime.timedelta(days=STALE_AFTER_DAYS)
    return lines.filter(counted_from__lt=oldest)


def in_working_order(lines: QuerySet[DueLine]) -> QuerySet[DueLine]:
    """Order by state and, inside it, late and due by the most over, window open by the day to book by."""
    *first, _ = WORKING_ORDER
    # What can be booked by no day comes last; PostgreSQL's index has it so by itself.
    return lines.order_by(*first, F("book_by").asc(nulls_last=True), "vehicle__number", "pk")


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
