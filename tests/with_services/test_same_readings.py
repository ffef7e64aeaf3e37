"""The same readings sent by several at one moment are taken in once, and none of the senders runs into another."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SETUP = """
import collections, datetime, json, os, random, threading
import django
django.setup()
import psycopg
from django.db import OperationalError, connection, transaction
from shop import clock
from shop.models import ChangeRecord, Meter, Reading
from shop.services.reading_columns import ReadingRow
from shop.services.readings import readings_record, readings_store
at = datetime.datetime(2026, 3, 9, 5, 30, tzinfo=datetime.UTC)
clock.pin(at)
"""
TOGETHER = """
last = dict(Reading.objects.order_by("read_at").values_list("meter_id", "raw_value"))
rows = [ReadingRow(pk, at, "driver", f"{last[pk] + 5:.1f}") for pk in last]
before = Reading.objects.count(), ChangeRecord.objects.count()
barrier, failed, did = threading.Barrier(4), [], collections.Counter()
def send(seed):
    own = random.Random(seed).sample(rows, len(rows))
    connection.ensure_connection()
    barrier.wait()
    try:
        report = readings_record(own)
        did.update(added=len(report.added), unchanged=len(report.unchanged), refused=len(report.refused))
    except Exception as error:
        failed.append(repr(error))
    finally:
        connection.close()
threads = [threading.Thread(target=send, args=(seed,)) for seed in range(4)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
after = Reading.objects.count(), ChangeRecord.objects.count()
print(json.dumps([len(rows), [now - then for now, then in zip(after, before)], did, failed]))
"""
SISTER = """
meter = Meter.objects.filter(kind="odometer").first()
one, other = Meter.objects.create(vehicle_id=meter.vehicle_id, kind="engine hours", shown_in="h").pk, meter.pk
before, found = Reading.objects.count(), {}
with psycopg.connect(os.environ["DATABASE_URL"]) as held:
    held.execute("select id from shop_meter where id = %s for update", [other])
    with connection.cursor() as cursor:
        cursor.execute("set lock_timeout = '300ms'")
    try:
        with transaction.atomic():
            readings_store([ReadingRow(one, at, "driver", "5")])
        found["ended"] = "went ahead"
    except OperationalError as error:
        found["ended"] = type(error.__cause__).__name__
found["readings"] = Reading.objects.count() - before
found["then"] = len(readings_record([ReadingRow(one, at, "driver", "5")]).added)
print(json.dumps(found))
"""


def said(script: str, own_database: dict[str, str]):
    env = {**os.environ, **own_database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", SETUP + script],
        cwd=ROOT, env=env, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.postgresql
def test_four_senders_of_the_same_readings_bring_each_once(own_database: dict[str, str]) -> None:
    count, new, did, failed = said(TOGETHER, own_database)
    assert failed == []
    assert count > 0
    assert new == [count, count]
    assert did == {"added": count, "unchanged": 3 * count, "refused": 0}


@pytest.mark.postgresql
def test_a_reading_waits_for_whoever_holds_another_meter_of_the_vehicle(own_database: dict[str, str]) -> None:
    assert said(SISTER, own_database) == {"ended": "LockNotAvailable", "readings": 0, "then": 1}
