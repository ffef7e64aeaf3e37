"""The due engine measured on a made-up fleet, each stage beside a limit of the same run."""

import datetime
import itertools
import multiprocessing
import resource
import time
from collections.abc import Callable
from typing import Any

from django.db import connection, transaction
from django.db.models import F
from django.test import Client

from shop import clock
from shop.errors import ConflictError
from shop.models import DailyRun, Depot, DueLine, Person, Reading, RuleVersion, Unit
from shop.selectors.due import SPLIT_ORDER, in_working_order
from shop.selectors.due_page import Beside
from shop.selectors.keyset import KeysetOrder
from shop.services import benchmark_limits as limits
from shop.services.due_parts import parts_done, parts_give_up, parts_lay, parts_work
from shop.services.reading_columns import ReadingRow
from shop.services.reading_writing import reading_changes_write
from shop.services.readings import readings_record, readings_store
from shop.services.synthetic_fleet import fleet_build

DAY = datetime.date(2026, 3, 2)
NIGHT_SHARE = 0.02
ODD_EVERY, ODD_MORE_KM = 50, 9_000.0
"""So many readings of a night are typed wrongly; no source, made up."""
LOOKS = 20
ROWS = 50
SAMPLE_UNITS = 200
WITHOUT_ROWS, FIRST_PAGE, BOARD = "/tools", "/due?show=everything", "/"
MASS, UPDATE = "every line changed", "one statement moves every line"
GOALS = {
    "postgresql": {
        "full run, nothing to write": 0.7,
        "the same by two processes": 1 / 1.4,
        MASS: 5.0,
        f"log written: {MASS}": 0.1,
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

AT_LEAST = {"one after the other by objects": 300.0}
"""Here the limit has to be passed so many times over."""

MOST_READINGS = 100_000
MEMORY_GOAL_MIB = 1_024


class Stages(dict[str, dict[str, Any]]):
    """What was measured so far, by name."""

    def time(self, name: str, limit: str, work: Callable[[], Any], share: float = 1.0) -> None:
        """Time some work, and set it beside the stage that is its limit, if any.

        share: of a whole that was worked on; the seconds are reckoned for all of it.
        """
        begun = time.perf_counter()
        made = work()
        self.note(name, limit, (time.perf_counter() - begun) / share, "s", made)

    def note(self, name: str, limit: str, amount: float, unit: str, made: Any = None) -> None:
        """Set an amount beside the stage that is its limit, if any."""
        ratio = amount / self[limit]["amount"] if limit else None
        most = GOALS.get(connection.vendor, {}).get(name)
        goal = AT_LEAST.get(name, most)
        is_met = None
        if goal is not None and ratio is not None:
            is_met = ratio <= goal if most is not None else ratio >= goal
        self[name] = {
            "amount": amount, "unit": unit, "limit": limit, "ratio": ratio, "goal_ratio": goal, "is_met": is_met,
            "did": made,
        }  # fmt: skip


def measure(vehicles: int) -> dict[str, Any]:
    """Build the fleet and measure each stage; amounts, and the ratio to the stage's limit."""
    if Depot.objects.exists():
        raise ConflictError("This database holds a fleet already; leave --inside away.")
    clock.pin(datetime.datetime.combine(DAY, datetime.time(4), datetime.UTC))
    depot = fleet_build(vehicles, DAY)
    person = Person.objects.create(username="bench", is_superuser=True)
    stages = Stages()
    _time_full_runs(stages, depot)
    # Noted as done, so that the next day takes only what may have changed.
    DailyRun.objects.update(state=DailyRun.State.DONE, finished_at=clock.now())
    news = _news(depot, max(1, round(NIGHT_SHARE * vehicles)))
    _time_readings(stages, _news(depot, min(vehicles, MOST_READINGS)), news, person)
    _tidy()
    clock.pin(datetime.datetime.combine(DAY + datetime.timedelta(days=1), datetime.time(4), datetime.UTC))
    read, night = "copy out the readings of the night's vehicles", "incremental run of the night"
    stages.time(read, "", lambda: limits.copy_readings(news))
    stages.time(night, read, lambda: _lines(depot, days=1))
    stages.time("the same night again", night, lambda: _lines(depot, days=1))
    _tidy()
    _time_pages(stages, person)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "vehicles": vehicles, "lines": DueLine.objects.count(), "readings": Reading.objects.count(),
        "database": connection.vendor, "peak_mib": round(peak_mib), "memory_goal_mib": MEMORY_GOAL_MIB,
        "stages": stages,
    }  # fmt: skip


def _time_full_runs(stages: Stages, depot: Depot) -> None:
    rows, full = "copy out the rows of the whole fleet", "full run, nothing to write"
    stages.time(rows, "", limits.copy_fleet)
    stages.time("first run, every line new", rows, lambda: _lines(depot, is_full=True))
    _tidy()
    stages.time(full, rows, lambda: _lines(depot, is_full=True))
    if connection.vendor == "postgresql":
        stages.time("the same by two processes", full, lambda: _lines(depot, is_full=True, work=_by_two))
    units = list(Unit.objects.order_by("pk").values_list("pk", flat=True)[:SAMPLE_UNITS])
    share = len(units) / Unit.objects.count()
    stages.time(
        "one after the other by objects",
        full,
        lambda: _taken_back(lambda: limits.one_by_one(DAY, units)),
        share,
    )
    if connection.vendor == "postgresql":
        _time_mass_change(stages, depot)


def _time_mass_change(stages: Stages, depot: Depot) -> None:
    """Time a change of all rules, and see how much it writes to the log beside one UPDATE; both are taken back."""
    bare = "write the lines to a bare table"
    stages.time(bare, "", limits.write_lines_bare)
    for name, limit, work in (
        (UPDATE, bare, limits.update_every_line),
        (MASS, bare, lambda: _rules_halved(depot)),
    ):
        _tidy()
        begun = _log_bytes()
        stages.time(name, limit, lambda work=work: _taken_back(work))
        beside = f"log written: {UPDATE}" if name == MASS else ""
        stages.note(f"log written: {name}", beside, (_log_bytes() - begun) / 2**20, "MiB")
    _tidy()


def _rules_halved(depot: Depot) -> dict[str, int]:
    RuleVersion.objects.update(interval_km=F("interval_km") / 2, interval_months=F("interval_months") / 2)
    return _lines(depot, is_full=True)


def _tidy() -> None:
    """Let PostgreSQL do what it does by itself between such days: count its rows, and free what is dead."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # A test keeps it all in one transaction, which allows no more.
            cursor.execute("analyze" if connection.in_atomic_block else "vacuum analyze")
            cursor.execute("checkpoint")


def _log_bytes() -> int:
    with connection.cursor() as cursor:
        cursor.execute("select pg_current_wal_insert_lsn() - '0/0'")
        return int(cursor.fetchone()[0])


def _time_readings(stages: Stages, day: list[ReadingRow], news: list[ReadingRow], person: Person) -> None:
    """Time a day's readings of the fleet, taken back each time, and the night's, which stay."""
    bare = "copy a day's readings of the fleet bare"
    sheet = limits.sheet_of(day, DAY)
    stages.time(bare, "", lambda: _taken_back(lambda: limits.copy_in(sheet)))
    stages.time("a day's readings in and judged", bare, lambda: _taken_back(lambda: _take_in(day, person)))
    bare = "copy the night's readings bare"
    sheet = limits.sheet_of(news, DAY)
    stages.time(bare, "", lambda: _taken_back(lambda: limits.copy_in(sheet)))
    objects = "write the night's readings as objects"
    stages.time(objects, bare, lambda: _taken_back(lambda: limits.write_objects(news, DAY)))
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
    deep = f"{FIRST_PAGE}&after={_after(ROWS * 999)}"
    client = Client(headers={"host": "localhost"})
    client.force_login(person)
    # The first look loads routes and templates, which is no part of any page.
    for address in (WITHOUT_ROWS, FIRST_PAGE, deep, BOARD):
        _look(client, address)
    stages.time("a page without rows", "", lambda: _look(client, WITHOUT_ROWS))
    stages.time("due list, first 50", "a page without rows", lambda: _look(client, FIRST_PAGE))
    stages.time("due list, page 1,000", "due list, first 50", lambda: _look(client, deep))
    stages.time("morning board", "a page without rows", lambda: _look(client, BOARD))


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


def _news(depot: Depot, count: int) -> list[ReadingRow]:
    """Return one more reading for some vehicles all over the fleet, their last week's use a day later; every
    fiftieth is odd.
    """
    every = max(1, depot.vehicles.count() // count)
    lately = Reading.objects.filter(
        meter__vehicle__depot=depot, read_on__gt=DAY - datetime.timedelta(days=14), read_on__lt=DAY
    )
    chosen = lately.annotate(place=F("meter") % every).filter(place=0).order_by("meter", "read_on")
    at = clock.local_instant(DAY, datetime.time(5, 30), "Europe/Berlin")
    rows = []
    for before, last in itertools.pairwise(chosen):
        if before.meter_id == last.meter_id and len(rows) < count:
            per_day = (last.raw_value - before.raw_value) / (last.read_on - before.read_on).days
            value = last.raw_value + per_day * (DAY - last.read_on).days
            odd = ODD_MORE_KM if len(rows) % ODD_EVERY == 0 else 0.0
            rows.append(ReadingRow(last.meter_id, at, "telematics", f"{value + odd:.1f}", "km"))
    return rows


def _take_in(rows: list[ReadingRow], person: Person) -> int:
    report = readings_store(rows)
    reading_changes_write(report.new_keys, person=person)
    return len(report.added)


def _after(number: int) -> str:
    """Return the due list's own words for “after so many lines”, or before its last page where it is shorter."""
    order = KeysetOrder(in_working_order(DueLine.objects.all()), SPLIT_ORDER, ("pk",))
    number = max(min(number, DueLine.objects.count() - ROWS), 1)
    return Beside(order.place_of(order.after(None, number)[-1]), number).text


def _look(client: Client, address: str) -> int:
    """Return the bytes of a page looked at a few times."""
    size = 0
    for _ in range(LOOKS):
        answer = client.get(address)
        if answer.status_code != 200:
            raise ConflictError(f"{address} answered {answer.status_code}.")
        size = len(answer.content)
    return size
