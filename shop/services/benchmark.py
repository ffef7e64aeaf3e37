"""The due engine measured on a made-up fleet, each stage beside a limit of the same run."""

import datetime
import resource
import time
from collections.abc import Callable
from typing import Any

from django.db import connection
from django.test import Client

from shop import clock
from shop.errors import ConflictError
from shop.models import DailyRun, Depot, DueLine, Meter, Person, Reading
from shop.selectors.due import SPLIT_ORDER, in_working_order
from shop.selectors.due_page import Beside
from shop.selectors.keyset import KeysetOrder
from shop.services.due import due_refresh_depot
from shop.services.readings import ReadingRow, readings_record
from shop.services.synthetic_fleet import fleet_build

DAY = datetime.date(2026, 3, 2)
NIGHT_SHARE = 0.02
LOOKS = 5
ROWS = 50
HEALTH, FIRST_PAGE = "/api/v1/health", "/due?show=everything"
GOALS = {
    "postgresql": {
        "full run, nothing to write": 0.7,
        "incremental run of the night": 2.5,
        "the same night again": 0.1,
        "readings in, judged and re-projected": 2.0,
        "due list, first 50": 6.0,
        "due list, page 1,000": 1.3,
    },
    "sqlite": {
        "full run, nothing to write": 20.0,
        "incremental run of the night": 1.5,
        "the same night again": 0.1,
        "readings in, judged and re-projected": 2.0,
        "due list, first 50": 6.0,
        "due list, page 1,000": 1.3,
    },
}
"""Ratios to their limits that prototypes on bare arrays and tables came near; goals, not promises."""

MEMORY_GOAL_MIB = 1_024


def measure(vehicles: int) -> dict[str, Any]:
    """Build the fleet and time each stage; seconds, and the ratio to the stage's limit."""
    if Depot.objects.exists():
        raise ConflictError("This database holds a fleet already; leave --inside away.")
    clock.pin(datetime.datetime.combine(DAY, datetime.time(4), datetime.UTC))
    depot = fleet_build(vehicles, DAY)
    stages: dict[str, dict[str, Any]] = {}

    def stage(name: str, limit: str, work: Callable[[], Any], **more: Any) -> None:
        seconds, made = _timed(work)
        limit_s = stages[limit]["seconds"] if limit in stages else None
        ratio = seconds / limit_s if limit_s else None
        goal = GOALS.get(connection.vendor, {}).get(name)
        is_met = None if goal is None or ratio is None else ratio <= goal
        stages[name] = {
            "seconds": seconds, "limit": limit, "ratio": ratio, "goal_ratio": goal, "is_met": is_met, **more,
            "did": made,
        }  # fmt: skip

    stage("read the rows of the whole fleet", "", _read_all)
    stage(
        "first run, every line new", "read the rows of the whole fleet", lambda: _lines(depot, is_full=True)
    )
    stage(
        "full run, nothing to write", "read the rows of the whole fleet", lambda: _lines(depot, is_full=True)
    )
    _note_run(depot)
    news = _news(depot, max(1, round(NIGHT_SHARE * vehicles)))
    stage("write the night's readings bare", "", lambda: _write_bare(news))
    person = Person.objects.create(username="bench", is_superuser=True)
    stage("readings in, judged and re-projected", "write the night's readings bare",
          lambda: len(readings_record(news, person).added))  # fmt: skip
    clock.pin(datetime.datetime.combine(DAY + datetime.timedelta(days=1), datetime.time(4), datetime.UTC))
    stage("read the readings of the night's vehicles", "", lambda: _read_of(news))
    stage(
        "incremental run of the night",
        "read the readings of the night's vehicles",
        lambda: _lines(depot, days=1),
    )
    stage("the same night again", "incremental run of the night", lambda: _lines(depot, days=1))
    deep = f"{FIRST_PAGE}&after={_after(ROWS * 999)}"
    _look_before((None, HEALTH), (person, FIRST_PAGE), (person, deep))
    stage("a page without rows", "", lambda: _look(None, HEALTH))
    stage("due list, first 50", "a page without rows", lambda: _look(person, FIRST_PAGE))
    stage("due list, page 1,000", "due list, first 50", lambda: _look(person, deep))
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "vehicles": vehicles, "lines": DueLine.objects.count(), "readings": Reading.objects.count(),
        "database": connection.vendor, "peak_mib": round(peak_mib), "memory_goal_mib": MEMORY_GOAL_MIB,
        "stages": stages,
    }  # fmt: skip


def _note_run(depot: Depot) -> None:
    """Note the day as run, so that the next takes only what may have changed."""
    DailyRun.objects.create(
        depot=depot, as_of=DAY, state=DailyRun.State.DONE, started_at=clock.now(), finished_at=clock.now()
    )


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    begun = time.perf_counter()
    made = work()
    return time.perf_counter() - begun, made


def _lines(depot: Depot, *, is_full: bool = False, days: int = 0) -> dict[str, int]:
    report = due_refresh_depot(depot.pk, DAY + datetime.timedelta(days=days), is_full=is_full)
    return {"lines": report.lines, "written": report.added + report.changed}


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
    meters = [row.meter.pk for row in news]
    rows = 0
    for at in range(0, len(meters), 500):
        some = Reading.objects.filter(meter__in=meters[at : at + 500], status=Reading.Status.ACCEPTED)
        rows += len(list(some.values_list("meter", "read_on", "source", "read_at", "true_total")))
    return rows


def _news(depot: Depot, count: int) -> list[ReadingRow]:
    """Return one more reading for some vehicles, an ordinary day's use later."""
    newest = (
        Reading.objects.filter(meter__vehicle__depot=depot, read_on__gt=DAY - datetime.timedelta(days=7))
        .order_by("meter", "-read_on")
        .select_related("meter__vehicle__depot")[:count]
    )
    at = clock.local_instant(DAY, datetime.time(5, 30), "Europe/Berlin")
    return [
        ReadingRow(reading.meter, at, "telematics", f"{reading.raw_value + 100.0:.1f}", "km")
        for reading in newest
        if reading.read_on < DAY
    ]


def _write_bare(news: list[ReadingRow]) -> int:
    """Write as many rows as there are readings, unjudged, to the fleet's last meters, and take them back."""
    meters = Meter.objects.order_by("-pk")[: len(news)]
    rows = [
        Reading(meter=meter, read_at=row.read_at, read_on=DAY, source="driver", raw_value=1.0, raw_text="1",
                true_total=1.0)
        for meter, row in zip(meters, news, strict=True)
    ]  # fmt: skip
    made = Reading.objects.bulk_create(rows)
    Reading.objects.filter(pk__in=[row.pk for row in made]).delete()
    return len(made)


def _after(number: int) -> str:
    """Return the due list's own words for “after so many lines”, or before its last page where it is shorter."""
    order = KeysetOrder(in_working_order(DueLine.objects.all()), SPLIT_ORDER, ("pk",))
    number = max(min(number, DueLine.objects.count() - ROWS), 1)
    return Beside(order.place_of(order.after(None, number)[-1]), number).text


def _look_before(*pages: tuple[Person | None, str]) -> None:
    """Look at pages before they are timed: the first look loads routes and templates, no part of any page.

    PostgreSQL plans by the size a table had when it last looked; its own look comes a minute after the lines.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("analyze shop_dueline")
    for person, address in pages:
        _look(person, address)


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
