"""Due lines as of today: what a unit without news has used is worked out when somebody looks."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from intervals.due import compute_due
from shop import clock
from shop.models import DueLine, Fitting
from shop.selectors.core_inputs import gather
from shop.selectors.due_facts import describe

SHOWN = ("clock", "used_share", "facts", "sentence")


def brought_to_today(lines: Iterable[DueLine]) -> list[DueLine]:
    """Return the lines with used share, facts and sentence as of their depots' today; nothing is stored.

    Dates and state are those of the last run: they only move with news. A handful of queries for each depot, whatever
    the number of lines.
    """
    found = list(lines)
    behind: dict[tuple[int, date], list[DueLine]] = defaultdict(list)
    days: dict[str, date] = {}
    for line in found:
        depot = line.vehicle.depot
        today = days.setdefault(depot.time_zone, clock.today(depot.time_zone))
        if line.state == "not yet" and line.worked_out_for < today:
            behind[depot.pk, today].append(line)
    for (_, today), own in behind.items():
        _bring(own, today)
    return found


def _bring(lines: list[DueLine], today: date) -> None:
    inputs = gather(today, Fitting.objects.filter(unit__in=[line.unit_id for line in lines]))
    result = compute_due(
        today, inputs.distance, inputs.hours, inputs.time, inputs.opens_share, inputs.closes_share
    )
    rows = {(own.fitting.unit_id, own.rule.pk): row for row, own in enumerate(inputs.lines)}
    for line in lines:
        row = rows.get((line.unit_id, line.rule_id))
        if row is None:
            continue
        draft = describe(inputs, result, row)
        if None not in (line.due_on, line.due_low_on, line.due_high_on, line.book_by):
            draft.keep_dates(line.due_on, line.due_low_on, line.due_high_on, line.book_by)
        for name in SHOWN:
            setattr(line, name, draft.content[name])
