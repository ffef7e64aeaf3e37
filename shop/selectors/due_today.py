"""Due lines in words, as of a day: what a unit has used and why it is due is worked out when somebody looks."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date
from itertools import islice

from django.db.models import QuerySet

from shop import clock
from shop.models import DueLine
from shop.selectors.due_facts import words_of
from shop.selectors.line_records import gather_records

LINES_AT_ONCE = 1_000


def explained(lines: Iterable[DueLine], as_of: date | None = None) -> list[DueLine]:
    """Return the lines with deciding clock, used share, facts and sentence as of a day; nothing is stored.

    Dates and state are those of the last run: they only move with news or on their day. A handful of queries for each
    day, whatever the number of lines. A line whose unit has left its vehicle since is told so.

    as_of: the day; None: today in each line's depot.
    """
    found = list(lines)
    by_day: dict[date, list[DueLine]] = defaultdict(list)
    for line in found:
        by_day[as_of or clock.today(line.vehicle.depot.time_zone)].append(line)
    for day, own in by_day.items():
        _explain(own, day)
    return found


def explained_in_parts(lines: QuerySet[DueLine]) -> Iterator[DueLine]:
    """Give the same line by line, some at a time, however many there are."""
    rows = lines.iterator(chunk_size=LINES_AT_ONCE)
    while some := list(islice(rows, LINES_AT_ONCE)):
        yield from explained(some)


def _explain(lines: list[DueLine], day: date) -> None:
    inputs = gather_records(day, {line.unit_id for line in lines})
    result = inputs.due(day, has_range=False)  # the stored range is shown
    rows = {(own.fitting.unit_id, own.rule.pk): row for row, own in enumerate(inputs.lines)}
    for line in lines:
        row = rows.get((line.unit_id, line.rule_id))
        if row is None:
            line.facts, line.sentence = {}, "No longer fitted or no longer under this rule."
            continue
        words = words_of(inputs, result, row, line.due_on, line.due_low_on, line.due_high_on)
        line.clock, line.used_share = words.clock, words.used_share
        line.facts, line.sentence = words.facts, words.sentence
