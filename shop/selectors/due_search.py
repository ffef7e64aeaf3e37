"""Narrowing the due list: by state, depot, overlay, kind of unit, words, and what falls due soon."""

import datetime
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet, TextField
from django.db.models.functions import Cast

from shop import clock
from shop.models import Depot, DueLine, Job, Person, UnitModel, Vehicle
from shop.models.due import STATES
from shop.selectors.access import depots_seen, due_lines_of
from shop.selectors.due import OVERLAYS, in_working_order, needs_action

SOON_DAYS = 14
NEEDS_ACTION = "needs action"
EVERYTHING = "everything"
SHOWN = [NEEDS_ACTION, *STATES, EVERYTHING]
FALLS_DUE_SOON = f"falls due within {SOON_DAYS} days"
OFF_THE_ROAD = "off the road"
MISSED = "missed bookings"
ONLY = [FALLS_DUE_SOON, OFF_THE_ROAD, MISSED]
COUNTED_UP_TO = 1_000
"""More lines of one state than this are not counted: nobody reads them one by one, and a count takes a look at each."""
FEW = COUNTED_UP_TO * len(STATES)
IN_THE_BAY = [
    Job.State.IN_BAY,
    Job.State.EMPTY,
    Job.State.PART_FILLED,
    Job.State.FILLED,
    Job.State.LEVEL_PROVED,
    Job.State.WAITING,
]


@dataclass(frozen=True, slots=True)
class DueSearch:
    """What the due list is narrowed to; an empty field does not narrow.

    show: one of SHOWN. only: one of ONLY. kind: kind of unit. text: words looked for in number, name and unit.
    """

    show: str = NEEDS_ACTION
    depot: str = ""
    overlay: str = ""
    kind: str = ""
    only: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class DueChoices:
    """What the filters offer to a person."""

    shown: list[str]
    depots: list[Depot]
    overlays: list[str]
    kinds: list[str]
    only: list[str]


@dataclass(frozen=True, slots=True)
class Counted:
    """How many lines there are; with `is_more`, more than that."""

    number: int
    is_more: bool = False

    @classmethod
    def together(cls, parts: Iterable["Counted"]) -> "Counted":
        """Return how many several parts are together."""
        parts = list(parts)
        return cls(sum(part.number for part in parts), any(part.is_more for part in parts))


@dataclass(frozen=True, slots=True)
class DueFound:
    """The lines found in working order, how many each way of showing would give, and how many this one gives."""

    lines: QuerySet[DueLine]
    counts: Mapping[str, Counted]
    total: Counted


def due_choices(person: Person) -> DueChoices:
    """Return what a person can filter by."""
    return DueChoices(SHOWN, depots_seen(person), OVERLAYS, list(UnitModel.Kind.values), ONLY)


def due_find(person: Person, search: DueSearch) -> DueFound:
    """Return the person's due lines a search keeps, with the count behind every state."""
    lines = due_lines_of(person)
    if not person.is_superuser:
        # Named once more by their keys, by which the database knows how few they are.
        lines = lines.filter(vehicle__depot__in=[depot.pk for depot in depots_seen(person)])
    if search.depot:
        lines = lines.filter(vehicle__depot__code=search.depot)
    if search.kind:
        lines = lines.filter(unit__unit_model__kind=search.kind)
    if search.overlay:
        lines = with_overlay(lines, search.overlay)
    for word in search.text.split():
        lines = lines.filter(
            Q(vehicle__number__icontains=word)
            | Q(vehicle__name__icontains=word)
            | Q(unit__code__icontains=word)
            | Q(unit__unit_model__name__icontains=word)
            | Q(rule__subject__icontains=word)
        )
    if search.only == FALLS_DUE_SOON:
        lines = falls_due_soon(lines, depots_seen(person))
    elif search.only == OFF_THE_ROAD:
        lines = lines.filter(Exists(Job.objects.filter(vehicle=OuterRef("vehicle"), state__in=IN_THE_BAY)))
    elif search.only == MISSED:
        lines = lines.filter(
            Exists(missed_bookings().filter(unit=OuterRef("unit"), subject=OuterRef("rule__subject")))
        )
    counts = None
    if search != DueSearch(show=search.show) or _sees_few(person):
        # Few among many are looked for once: counted in full, and shown by their keys.
        rows = list(lines.order_by().values_list("pk", "state", "must_not_move")[: FEW + 1])
        if len(rows) <= FEW:
            counts = _counted_rows(rows)
            lines = due_lines_of(person).filter(pk__in=[row[0] for row in rows])
    counts = counts or _counted(lines)
    if search.show == NEEDS_ACTION:
        lines = needs_action(lines)
    elif search.show in STATES:
        lines = lines.filter(state=search.show)
    return DueFound(in_working_order(lines), counts, counts[search.show])


def _sees_few(person: Person) -> bool:
    """Say whether a person's depots are small, which among many large ones makes theirs few lines."""
    if person.is_superuser:
        return False
    seen = Vehicle.objects.filter(depot__in=[depot.pk for depot in depots_seen(person)])
    return seen.order_by()[: COUNTED_UP_TO + 1].count() <= COUNTED_UP_TO


def _counted(lines: QuerySet[DueLine]) -> dict[str, Counted]:
    """Count the lines of each way of showing them, each state up to a limit, in one query."""
    sql, params = lines.order_by().values_list("state", "must_not_move").query.sql_with_params()
    # Few must not move and most are not yet due: the latter is no column here, so that no index is sought for it.
    held_still = "must_not_move = true and state || '' = 'not yet'"
    wanted = [f"state = '{state}'" for state in STATES] + [held_still]
    limited = [
        f"(select count(*) from (select 1 from ({sql}) as found where {condition} limit {COUNTED_UP_TO + 1}) as few)"
        for condition in wanted
    ]
    with connection.cursor() as cursor:
        cursor.execute(f"select {', '.join(limited)}", params * len(wanted))
        row = cursor.fetchone()
    counted = [Counted(min(count, COUNTED_UP_TO), count > COUNTED_UP_TO) for count in row]
    return _by_showing(dict(zip(STATES, counted, strict=False)), counted[-1])


def _counted_rows(rows: list[tuple[int, str, bool]]) -> dict[str, Counted]:
    """Count the same where all lines are at hand, by key, state and whether they must not move."""
    by_state = Counter(state for _, state, _ in rows)
    held_still = sum(state == "not yet" and must_not_move for _, state, must_not_move in rows)
    return _by_showing({state: Counted(by_state[state]) for state in STATES}, Counted(held_still))


def _by_showing(by_state: dict[str, Counted], held_still: Counted) -> dict[str, Counted]:
    """Return the counts of all ways of showing. held_still: lines that are not yet due but must not move."""
    others = [count for state, count in by_state.items() if state != "not yet"]
    return by_state | {
        NEEDS_ACTION: Counted.together([*others, held_still]),
        EVERYTHING: Counted.together(by_state.values()),
    }


def with_overlay(lines: QuerySet[DueLine], overlay: str) -> QuerySet[DueLine]:
    """Keep the lines an overlay lies on; the list is kept as JSON, so its quoted word is looked for."""
    return lines.alias(overlay_text=Cast("overlays", TextField())).filter(
        overlay_text__contains=f'"{overlay}"'
    )


def falls_due_soon(lines: QuerySet[DueLine], depots: list[Depot]) -> QuerySet[DueLine]:
    """Keep the open lines whose date lies within the next days, counted from each depot's own today."""
    near = Q(pk__in=[])
    for depot in depots:
        day = clock.today(depot.time_zone)
        last_day = day + datetime.timedelta(days=SOON_DAYS)
        near |= Q(vehicle__depot=depot, due_on__range=(day, last_day))
    return lines.filter(near, state__in=["window open", "not yet"])


def missed_bookings() -> QuerySet[Job]:
    """Return the no-shows after which the same subject of the same unit has not been done."""
    done_since = Job.objects.filter(
        unit=OuterRef("unit"),
        subject=OuterRef("subject"),
        kind=Job.Kind.SERVICE,
        state=Job.State.HANDED_BACK,
        done_on__gte=OuterRef("booked_for__date"),
    )
    return Job.objects.filter(~Exists(done_since), state=Job.State.NO_SHOW)
