"""The morning board: what must not move, what is late, what to order, what waits for an answer."""

import datetime
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Sum

from shop import clock
from shop.models import Depot, DueLine, Job, Person, ProposedLine, Reading, StateChange
from shop.selectors.access import depots_of, due_lines_of, jobs_of, proposed_lines_of, readings_of
from shop.selectors.deferrals import Deferral, deferral_list
from shop.selectors.due import stale_lines, states_of
from shop.selectors.due_search import (
    IN_THE_BAY,
    MISSED,
    NEEDS_ACTION,
    OFF_THE_ROAD,
    falls_due_soon,
    missed_bookings,
)
from shop.selectors.due_today import explained
from shop.selectors.holds import holds_on
from shop.selectors.wastes import Container, containers_of, containers_shown

SHOWN_ROWS = 12


@dataclass(frozen=True, slots=True)
class BigNumber:
    """One of the four counts, the same count a day ago if that is known, and the filter it opens."""

    word: str
    count: int
    yesterday: int | None
    show: str
    only: str = ""


@dataclass(frozen=True, slots=True)
class Stopped:
    """A vehicle that must not move: the unfinished job that says so, or the due line when there is none.

    recall: the stop-drive recall behind it, in words; empty without one.
    """

    vehicle_number: str
    vehicle_name: str
    unit_code: str
    depot: Depot
    job: Job | None
    line: DueLine | None
    recall: str = ""


@dataclass(frozen=True, slots=True)
class Shortened:
    """The first rows of a list and how many more there are."""

    rows: list[DueLine]
    more: int


@dataclass(frozen=True, slots=True)
class Yesterday:
    """What was closed the day before, and its new fluid; litres are None when no closed job says any."""

    jobs: int
    in_l: float | None


@dataclass(frozen=True, slots=True)
class Board:
    """Everything the morning board shows to one person."""

    numbers: list[BigNumber]
    stopped: list[Stopped]
    soon: Shortened
    bookings: list[Job]
    orders: list[ProposedLine]
    asked: list[Reading]
    unknown: Shortened
    stale: Shortened
    tanks: list[Container]
    yesterday: Yesterday
    put_off: list[Deferral]
    is_worked_out: bool


def days_of(depots: list[Depot]) -> dict[int, datetime.date]:
    """Return each depot's own today by its key."""
    return {depot.pk: clock.today(depot.time_zone) for depot in depots}


def board_for(person: Person) -> Board:
    """Gather the board in a number of queries that does not grow with the fleet."""
    depots = list(depots_of(person))
    days = days_of(depots)
    lines = due_lines_of(person)
    states = states_of(lines)
    board = Board(
        numbers=_numbers(person, states, days),
        stopped=_stopped(person, lines, days),
        soon=_shortened(falls_due_soon(lines, depots).order_by("due_on", "vehicle__number", "pk")),
        bookings=_bookings(person, depots, days),
        orders=list(
            proposed_lines_of(person)
            .filter(when__in=["order today", "this week"])
            .order_by("latest_order_day", "product__code")
        ),
        asked=list(
            readings_of(person)
            .filter(status=Reading.Status.ASKED)
            .order_by("meter__vehicle__number", "read_at")[:SHOWN_ROWS]
        ),
        unknown=_shortened(lines.filter(state="cannot say").order_by("vehicle__number", "pk")),
        stale=_stale(lines, min(days.values(), default=None)),
        tanks=containers_shown(containers_of(person)),
        yesterday=_yesterday(person, days),
        put_off=deferral_list(person).in_force[:SHOWN_ROWS],
        is_worked_out=any(states.values()),
    )
    shown = [line for part in (board.soon, board.unknown, board.stale) for line in part.rows]
    explained([*shown, *(stop.line for stop in board.stopped if stop.line is not None)])
    return board


def _numbers(person: Person, states: Mapping[str, int], days: Mapping[int, datetime.date]) -> list[BigNumber]:
    yesterday = _yesterday_states(states, days)
    off_the_road = (
        jobs_of(person).filter(state__in=IN_THE_BAY).order_by().values("vehicle").distinct().count()
    )
    missed = missed_bookings().filter(vehicle__depot__in=days).order_by().values("vehicle").distinct().count()
    return [
        BigNumber("late", states["late"], yesterday.get("late"), "late"),
        BigNumber("due", states["due"], yesterday.get("due"), "due"),
        BigNumber(OFF_THE_ROAD, off_the_road, None, "everything", OFF_THE_ROAD),
        BigNumber("no-shows", missed, None, NEEDS_ACTION, MISSED),
    ]


def _yesterday_states(states: Mapping[str, int], days: Mapping[int, datetime.date]) -> dict[str, int]:
    """Take today's changes back; nothing is known of yesterday when today is the first day worked out."""
    of_day: dict[datetime.date, list[int]] = defaultdict(list)
    for depot_pk, day in days.items():
        of_day[day].append(depot_pk)
    changes = {
        day: StateChange.objects.filter(
            Exists(DueLine.objects.filter(unit=OuterRef("unit"), vehicle__depot__in=depots))
        ).order_by()
        for day, depots in of_day.items()
    }
    if not any(own.filter(day__lt=day).exists() for day, own in changes.items()):
        return {}
    moved: Counter[str] = Counter()
    for day, own in changes.items():
        today = own.filter(day=day).values_list("from_state", "to_state")
        for before, after, count in today.annotate(Count("pk")):
            moved[after] += count
            moved[before] -= count
    return {state: states[state] - moved[state] for state in ("late", "due")}


def _stopped(person: Person, lines: QuerySet[DueLine], days: Mapping[int, datetime.date]) -> list[Stopped]:
    jobs = jobs_of(person).filter(state__in=Job.MUST_NOT_MOVE).select_related("vehicle__depot")
    found = {
        job.vehicle_id: Stopped(
            job.vehicle.number, job.vehicle.name, job.unit.code, job.vehicle.depot, job, None
        )
        for job in jobs.order_by("state_since")
    }
    held = {
        line.vehicle_id: line
        for line in lines.filter(must_not_move=True).order_by("-vehicle__number", "-pk")
        if line.vehicle_id not in found
    }
    recalls = {
        hold.vehicle_pk: f"{hold.recall_code}: {hold.reason}"
        for holds in holds_on(max(days.values(), default=datetime.date.min), held).values()
        for hold in holds
        if hold.is_stop_drive
    }
    for line in sorted(held.values(), key=lambda own: own.vehicle.number):
        own, recall = line.vehicle, recalls.get(line.vehicle_id, "")
        found[own.pk] = Stopped(own.number, own.name, line.unit.code, own.depot, None, line, recall)
    return list(found.values())


def _shortened(lines: QuerySet[DueLine]) -> Shortened:
    rows = list(lines[: SHOWN_ROWS + 1])
    more = lines.count() - SHOWN_ROWS if len(rows) > SHOWN_ROWS else 0
    return Shortened(rows[:SHOWN_ROWS], more)


def _stale(lines: QuerySet[DueLine], today: datetime.date | None) -> Shortened:
    """One line per vehicle is enough: all units of a vehicle wait for the same reading."""
    if today is None:
        return Shortened([], 0)
    found = stale_lines(lines, today).order_by("vehicle__number", "pk")
    vehicles = found.order_by().values("vehicle").distinct()
    first = vehicles.order_by("vehicle__number").values_list("vehicle", flat=True)[:SHOWN_ROWS]
    per_vehicle = {line.vehicle_id: line for line in reversed(found.filter(vehicle__in=list(first)))}
    rows = sorted(per_vehicle.values(), key=lambda line: line.vehicle.number)
    return Shortened(rows, max(0, vehicles.count() - SHOWN_ROWS))


def _bookings(person: Person, depots: list[Depot], days: Mapping[int, datetime.date]) -> list[Job]:
    wanted = Q(pk__in=[])
    for depot in depots:
        start = clock.local_instant(days[depot.pk], datetime.time(), depot.time_zone)
        end = clock.local_instant(
            days[depot.pk] + datetime.timedelta(days=1), datetime.time(), depot.time_zone
        )
        wanted |= Q(vehicle__depot=depot, booked_for__gte=start, booked_for__lt=end)
    jobs = jobs_of(person).select_related("vehicle__depot")
    return list(jobs.filter(wanted, state=Job.State.BOOKED).order_by("booked_for"))


def _yesterday(person: Person, days: Mapping[int, datetime.date]) -> Yesterday:
    before = Q(pk__in=[])
    for depot, day in days.items():
        before |= Q(vehicle__depot=depot, done_on=day - datetime.timedelta(days=1))
    sums = (
        jobs_of(person)
        .filter(before, state=Job.State.HANDED_BACK)
        .aggregate(jobs=Count("pk"), in_l=Sum("in_l"))
    )
    return Yesterday(sums["jobs"], sums["in_l"])
