"""The due list in working order: what must not move first, then what is latest."""

import datetime
from collections import Counter
from collections.abc import Iterable

from django.db.models import Case, F, IntegerField, QuerySet, Value, When

from shop.models import DueLine
from shop.models.due import STATES

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
    rank = Case(
        *[When(state=state, then=Value(place)) for place, state in enumerate(STATES)],
        output_field=IntegerField(),
    )
    share_if_over = Case(When(state__in=["late", "due"], then=F("used_share")), default=Value(0.0))
    return lines.order_by(
        "-must_not_move",
        rank,
        share_if_over.desc(),
        F("book_by").asc(nulls_last=True),
        "vehicle__number",
        "pk",
    )


def needs_action(lines: QuerySet[DueLine]) -> QuerySet[DueLine]:
    """Keep the lines somebody has to do or answer something about."""
    return lines.exclude(state="not yet", must_not_move=False)


def states_of(lines: Iterable[DueLine] | QuerySet[DueLine]) -> dict[str, int]:
    """Count lines per state; every state is named even when none is in it."""
    counts = Counter(
        lines.values_list("state", flat=True)
        if isinstance(lines, QuerySet)
        else (line.state for line in lines)
    )
    return {state: counts[state] for state in STATES}
