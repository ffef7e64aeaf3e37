"""The due engine measured on a made-up fleet, each stage beside a limit of the same run."""

import datetime
import multiprocessing
import resource
import time
from collections.abc import Callable
from typing import Any

from django.db import connection, transaction
from django.test import Client

from shop import clock
from shop.errors import ConflictError
from shop.models import DailyRun, Depot, DueLine, Person, Reading
from shop.selectors.due import SPLIT_ORDER, in_working_order
from shop.selectors.due_page import Beside
from shop.selectors.keyset import KeysetOrder
from shop.services.due_parts import parts_done, parts_give_up, parts_lay, parts_work
from shop.services.reading_columns import ReadingRow
from shop.services.reading_writing import reading_changes_write
from shop.services.readings import readings_record, readings_store
from shop.services.synthetic_fleet import fleet_build

DAY = datetime.date(2026, 3, 2)
NIGHT_SHARE = 0.02
LOOKS = 5
ROWS = 50
HEALTH, FIRST_PAGE = "/api/v1/health", "/due?show=everything"
GOALS = {
    "postgresql": {
        "full run, nothing to write": 0.7,
        "the same by two processes": 1 / 1.4,
        "incremental run of the night": 2.5,
        "the same night again": 0.1,
        "a day's readings in and judged": 2.0,
        "readings in, judged and re-projected": 2.0,
        "due list, first 50": 6.0,
        "due list, page 1,000": 1.3,
    },
    "sqlite": {
        "full run, nothing to write": 20.0,
        "incremental run of the night": 1.5,
        "the same night again": 0.1,
        "a day's readings in and judged": 2.0,
        "readings in, judged and re-projected": 2.0,
        "due list, first 50": 6.0,
        "due list, page 1,000": 1.3,
    },
}
"""Ratios to their limits that prototypes on bare arrays and tables came near; goals, not promises."""

MOST_READINGS = 100_000
MEMORY_GOAL_MIB = 1_024


class Stages(dict[str, dict[str, Any]]):
    """What was timed so far, by name."""

    def time(self, name: str, limit: str, work: Callable[[], Any]) -> None:
        """Time some work, and set it beside the stage that is its limit, if any."""
        begun = time.perf_counter()
        made = work()
        seconds = time.perf_counter() - begun
        ratio = seconds / self[limit]["seconds"] if limit else None
        goal = GOALS.get(connection.vendor, {}).get(name)
        self[name] = {
            "seconds": seconds, "limit": limit, "ratio": ratio, "goal_ratio": goal,
            "is_met": None if goal is None or ratio is None else ratio <= goal, "did": made,
        }  # fmt: skip


def measure(vehicles: int) -> dict[str, Any]:
    """Build the fleet and time each stage; seconds, and the ratio to the stage's limit."""
    if Depot.objects.exists():
        raise ConflictError("This database holds a fleet already; leave --inside away.")
    clock.pin(datetime.datetime.combine(DAY, datetime.time(4), datetime.UTC))
    depot = fleet_build(vehicles, DAY)
    person = Person.objects.create(username="bench", is_superuser=True)
    stages = Stages()
    rows, full = "read the rows of the whole fleet", "full run, nothing to write"
    stages.time(rows, "", _read_all)
    stages.time("first run, every line new", rows, lambda: _lines(depot, is_full=True))
    stages.time(full, rows, lambda: _lines(depot, is_full=True))
    if connection.vendor == "postgresql":
        stages.time("the same by two processes", full, lambda: _lines(depot, is_full=True, work=_by_two))
    # Noted as done, so that the next day takes only what may have changed.
    DailyRun.objects.update(state=DailyRun.State.DONE, finished_at=clock.now())
    news = _news(depot, max(1, round(NIGHT_SHARE * vehicles)))
    _time_readings(stages, _news(depot, min(vehicles, MOST_READINGS)), news, person)
    clock.pin(datetime.datetime.combine(DAY + datetime.timedelta(days=1), datetime.time(4), datetime.UTC))
    night = "incremental run of the night"
    stages.time("read the readings of the night's vehicles", "", lambda: _read_of(news))
    stages.time(night, "read the readings of the night's vehicles", lambda: _lines(depot, days=1))
    stages.time("the same night again", night, lambda: _lines(depot, days=1))
    _time_pages(stages, person)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "vehicles": vehicles, "lines": DueLine.objects.count(), "readings": Reading.objects.count(),
        "database": connection.vendor, "peak_mib": round(peak_mib), "memory_goal_mib": MEMORY_GOAL_MIB,
        "stages": stages,
    }  # fmt: skip


def _time_readings(stages: Stages, day: list[ReadingRow], news: list[ReadingRow], person: Person) -> None:
    """Time a day's readings of the fleet, taken back each time, and the night's, which stay."""
    bare = "copy a day's readings of the fleet bare"
    sheet = _sheet(day)
    stages.time(bare, "", lambda: _taken_back(lambda: _copy(sheet)))
    stages.time("a day's readings in and judged", bare, lambda: _taken_back(lambda: _take_in(day, person)))
    bare = "copy the night's readings bare"
    sheet = _sheet(news)
    stages.time(bare, "", lambda: _taken_back(lambda: _copy(sheet)))
    objects = "write the night's readings as objects"
    stages.time(objects, bare, lambda: _taken_back(lambda: _write_objects(news)))
    stages.time(
        "readings in, judged and re-projected", objects, lambda: len(readings_record(news, person).added)
    )


def _taken_back(work: Callable[[], Any]) -> Any:
    """Do some work with all that a commit would check, and take it back."""
    with transaction.atomic():
        made = work()
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("set constraints all immediate")
        transaction.set_rollback(True)
    return made


def _time_pages(stages: Stages, person: Person) -> None:
    if connection.vendor == "postgresql":
        # It plans by the size a table had when it last looked; its own look comes a minute after the lines.
        with connection.cursor() as cursor:
            cursor.execute("analyze shop_dueline")
    deep = f"{FIRST_PAGE}&after={_after(ROWS * 999)}"
    # The first look loads routes and templates, which is no part of any page.
    for who, address in ((None, HEALTH), (person, FIRST_PAGE), (person, deep)):
        _look(who, address)
    stages.time("a page without rows", "", lambda: _look(None, HEALTH))
    stages.time("due list, first 50", "a page without rows", lambda: _look(person, FIRST_PAGE))
    stages.time("due list, page 1,000", "due list, first 50", lambda: _look(person, deep))


def _lines(
    depot: Depot, *, is_full: bool = False, days: int = 0, work: Callable[[int], None] | None = None
) -> dict[str, int]:
    """Work out a day's lines, again if that is done, and return what was done."""
    as_of = DAY + datetime.timedelta(days=days)
    run, _ = DailyRun.objects.get_or_create(depot=depot, as_of=as_of, defaults={"started_at": clock.now()})
    parts_give_up(run.parts.all())
    parts_lay(run.pk, is_full=is_full)
    (work or _alone)(run.pk)
    did = parts_done(run.pk)
    return {"lines": did["lines"], "written": did["added"] + did["changed"]}


def _alone(run_pk: int) -> None:
    parts_work(run_pk, is_last=True)


def _by_two(run_pk: int) -> None:
    """Work with a second process, made for it."""
    connection.close()
    helper = multiprocessing.get_context("fork").Process(
        target=parts_work, args=(run_pk,), kwargs={"is_last": False}
    )
    helper.start()
    _alone(run_pk)
    helper.join()


def _read_all() -> int:
    """Fetch what a full run reads, as plain rows: the least any run could do."""
    rows = 0
    with connection.cursor() as cursor:
        for statement in (
            "select meter_id, read_on, source, read_at, true_total from shop_reading where status = 'accepted'",
            "select * from shop_fitting f join shop_unit u on u.id = f.unit_id "
            "join shop_vehicle v on v.id = f.vehicle_id",
            "select * from shop_lastservice",
        ):
            cursor.execute(statement)
            rows += len(cursor.fetchall())
    return rows


def _read_of(news: list[ReadingRow]) -> int:
    """Fetch the readings of the vehicles with news as plain rows: the least a run of the night could do."""
    meters = [row.meter_id for row in news]
    rows = 0
    for at in range(0, len(meters), 500):
        some = Reading.objects.filter(meter__in=meters[at : at + 500], status=Reading.Status.ACCEPTED)
        rows += len(list(some.values_list("meter", "read_on", "source", "read_at", "true_total")))
    return rows


def _news(depot: Depot, count: int) -> list[ReadingRow]:
    """Return one more reading for some vehicles, an ordinary day's use later."""
    newest = Reading.objects.filter(
        meter__vehicle__depot=depot, read_on__gt=DAY - datetime.timedelta(days=7)
    ).order_by("meter", "-read_on")[:count]
    at = clock.local_instant(DAY, datetime.time(5, 30), "Europe/Berlin")
    return [
        ReadingRow(reading.meter_id, at, "telematics", f"{reading.raw_value + 100.0:.1f}", "km")
        for reading in newest
        if reading.read_on < DAY
    ]


_BARE = ("meter_id", "read_at", "read_on", "source", "raw_text", "raw_value", "true_total", "status",
         "question_code", "question", "answer")  # fmt: skip


def _bare(row: ReadingRow) -> tuple[Any, ...]:
    total = float(row.value)
    return row.meter_id, row.read_at, DAY, row.source, row.value, total, total, "accepted", "", "", ""


def _sheet(rows: list[ReadingRow]) -> list[tuple[Any, ...]] | str:
    """Return readings ready to be copied into their table: as text on PostgreSQL, as values on SQLite."""
    if connection.vendor == "postgresql":
        return "".join("\t".join(map(str, _bare(row))) + "\n" for row in rows)
    return [tuple(str(one) if isinstance(one, datetime.date) else one for one in _bare(row)) for row in rows]


def _copy(sheet: list[tuple[Any, ...]] | str) -> int:
    """Copy readings into their table, unjudged: the least any way of taking them in could do."""
    names = ", ".join(_BARE)
    with connection.cursor() as cursor:
        if isinstance(sheet, str):
            with cursor.copy(f"copy shop_reading ({names}) from stdin") as copy:
                copy.write(sheet)
        else:
            marks = ", ".join(["%s"] * len(_BARE))
            cursor.executemany(f"insert into shop_reading ({names}) values ({marks})", sheet)
        return cursor.rowcount


def _write_objects(news: list[ReadingRow]) -> int:
    """Write the readings as objects, unjudged."""
    return len(
        Reading.objects.bulk_create(Reading(**dict(zip(_BARE, _bare(row), strict=True))) for row in news)
    )


def _take_in(rows: list[ReadingRow], person: Person) -> int:
    report = readings_store(rows)
    reading_changes_write(report.new_keys, person=person)
    return len(report.added)


def _after(number: int) -> str:
    """Return the due list's own words for “after so many lines”, or before its last page where it is shorter."""
    order = KeysetOrder(in_working_order(DueLine.objects.all()), SPLIT_ORDER, ("pk",))
    number = max(min(number, DueLine.objects.count() - ROWS), 1)
    return Beside(order.place_of(order.after(None, number)[-1]), number).text


def _look(person: Person | None, address: str) -> int:
    """Return the bytes of a page looked at a few times."""
    client = Client(headers={"host": "localhost"})
    if person is not None:
        client.force_login(person)
    size = 0
    for _ in range(LOOKS):
        answer = client.get(address)
        if answer.status_code != 200:
            raise ConflictError(f"{address} answered {answer.status_code}.")
        size = len(answer.content)
    return size
