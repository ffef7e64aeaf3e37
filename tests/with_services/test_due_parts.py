"""Several processes on one day's due lines: each part is done once, whoever is killed, and nobody waits for ever."""

import os
import signal
import subprocess
import sys
import time

import psycopg
import pytest

from tests.with_services.commands import ROOT

# The demo in parts of ten units; a part is begun when its lines are written and not yet committed.
START = """
import sys, threading, time
import django
django.setup()
import datetime
from django.db import connection, transaction
from shop import clock
from shop.models import DailyRun, Depot, DueLine, Fitting, Mark, Unit
from shop.selectors.column_reading import keys_of
from shop.services import due, due_parts, marks
due.BLOCK_UNITS = due_parts.PART_UNITS = 10
day = datetime.date(2026, 3, 2)
depot = Depot.objects.get(code="UY")
run, _ = DailyRun.objects.get_or_create(depot=depot, as_of=day, defaults={"started_at": clock.now()})
"""
ALL = START + "due_parts.parts_lay(run.pk, is_full=True)\nprint(due_parts.parts_work(run.pk, is_last=True))\n"
STALLS = (
    START
    + """
refresh, parts = due_parts.due_refresh, []
def stalling(*args):
    report = refresh(*args)
    parts.append(report)
    if len(parts) == 3:
        print("holding", flush=True)
        time.sleep(600)
    return report
due_parts.due_refresh = stalling
due_parts.parts_lay(run.pk, is_full=True)
due_parts.parts_work(run.pk, is_last=True)
"""
)
STATE = (
    "select u.code, r.subject, d.state, d.overlays::text, d.used_share, d.opens_on, d.due_on, d.late_on, d.book_by "
    "from shop_dueline d join shop_unit u on u.id = d.unit_id join shop_intervalrule r on r.id = d.rule_id "
    "order by 1, 2"
)
COUNTS = "select count(*), count(counts), sum((counts->>'added')::int) from shop_runpart"


@pytest.fixture
def place(own_database: dict[str, str]) -> dict[str, str]:
    return {**os.environ, **own_database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}


def started(env: dict[str, str], code: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def said(process: subprocess.Popen[str]) -> str:
    output, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors
    return output.strip()


def until(connection: psycopg.Connection, query: str, answer: tuple[int, ...]) -> None:
    ends = time.monotonic() + 60
    while (found := connection.execute(query).fetchone()) != answer:
        assert time.monotonic() < ends, f"{found} is not {answer}"
        time.sleep(0.05)


@pytest.mark.postgresql
def test_a_part_whose_process_is_killed_is_done_by_another(place: dict[str, str]) -> None:
    with psycopg.connect(place["DATABASE_URL"], autocommit=True) as connection:
        parts = int(said(started(place, ALL)))
        expected = connection.execute(STATE).fetchall()
        assert (parts, len(expected)) == (connection.execute(COUNTS).fetchone()[0], 149)
        changes = connection.execute("select count(*) from shop_statechange").fetchone()
        connection.execute("truncate shop_dueline, shop_statechange, shop_dailyrun cascade")

        stalling = started(place, STALLS)
        assert stalling.stdout.readline() == "holding\n"
        other = started(place, ALL)
        until(connection, "select count(*), count(counts) from shop_runpart", (parts, parts - 1))
        time.sleep(0.5)
        # It waits for the part that is held, and has not taken it.
        assert other.poll() is None
        assert connection.execute("select count(*) from shop_dueline").fetchone() < (149,)
        stalling.send_signal(signal.SIGKILL)
        stalling.communicate()
        # Two by the one that was killed, the third and all the others by the one that went on.
        assert int(said(other)) == parts - 2
        assert connection.execute(STATE).fetchall() == expected
        assert connection.execute(COUNTS).fetchone() == (parts, parts, 149)
        assert connection.execute("select count(*) from shop_statechange").fetchone() == changes


@pytest.mark.postgresql
def test_processes_at_the_same_moment_share_the_work(place: dict[str, str]) -> None:
    processes = [started(place, ALL) for _ in range(3)]
    done = [int(said(process)) for process in processes]
    with psycopg.connect(place["DATABASE_URL"]) as connection:
        parts, finished, added = connection.execute(COUNTS).fetchone()
    assert sum(done) == parts == finished
    assert added == 149


TOGETHER = """
first, second = threading.Event(), threading.Event()
failed = []
def beside(work):
    def safely():
        try:
            with transaction.atomic():
                work()
        except Exception as error:
            failed.append(repr(error))
        finally:
            connection.close()
    thread = threading.Thread(target=safely)
    thread.start()
    return thread
def part():
    first.wait(20)
    units = keys_of(Fitting.objects.values_list("unit", flat=True))
    due.units_hold(units, is_alone=False)
    second.set(); time.sleep(0.5)
    due.due_refresh(day, units)
"""


@pytest.mark.postgresql
def test_a_job_and_a_part_with_the_same_unit_do_not_wait_for_each_other(place: dict[str, str]) -> None:
    # The job holds its unit and wants its lines; the part holds the lines and adds one, which points at the unit.
    code = (
        START
        + TOGETHER
        + """
fitting = Fitting.objects.select_related("vehicle").get(unit__code="K01-TB6")
def job():
    Unit.objects.select_for_update(no_key=True).get(pk=fitting.unit_id)
    first.set(); second.wait(20)
    due.due_refresh_now([fitting.vehicle_id])
DueLine.objects.all().delete()
threads = [beside(job), beside(part)]
[thread.join() for thread in threads]
print(failed, DueLine.objects.filter(unit=fitting.unit).count())
"""
    )
    assert said(started(place, code)) == "[] 1"


@pytest.mark.postgresql
def test_a_reading_and_a_part_with_the_same_meters_do_not_wait_for_each_other(place: dict[str, str]) -> None:
    # The reading holds its meter, then wants lines; the part holds those and wants the use of all meters.
    code = (
        START
        + TOGETHER
        + """
from shop.models import Meter, MeterUse
meter = Meter.objects.get(vehicle__number="K01", kind="odometer")
def reading():
    Meter.objects.select_for_update().get(pk=meter.pk)
    MeterUse.objects.filter(meter=meter).delete()
    first.set(); second.wait(20)
    due.due_refresh_now([meter.vehicle_id])
MeterUse.objects.all().delete()
threads = [beside(reading), beside(part)]
[thread.join() for thread in threads]
print(failed, MeterUse.objects.count() == Meter.objects.count(),
      DueLine.objects.filter(unit__code="K01-TB6", due_on__isnull=False).count())
"""
    )
    assert said(started(place, code)) == "[] True 1"


@pytest.mark.postgresql
def test_a_mark_of_news_nobody_can_see_yet_is_not_taken(place: dict[str, str]) -> None:
    code = (
        START
        + TOGETHER
        + """
vehicle, other, *_ = sorted(depot.vehicles.values_list("pk", flat=True))
Mark.objects.all().delete()
marks.vehicles_mark([vehicle, other])
def news():
    marks.vehicles_mark([vehicle])
    first.set(); second.wait(20)
thread = beside(news)
first.wait(20)
with transaction.atomic():
    taken = marks.marks_take(depot.pk).tolist()
second.set(); thread.join()
print(failed, taken == [other], list(Mark.objects.values_list("vehicle", flat=True)) == [vehicle])
"""
    )
    assert said(started(place, code)) == "[] True True"
