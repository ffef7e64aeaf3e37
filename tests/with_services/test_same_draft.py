"""Ten people place the same draft at the same moment: it becomes one order."""

import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
PEOPLE = 10
PLACE = """
import sys, threading
import django
django.setup()
from django.db import connection
from shop.errors import ApplicationError
from shop.models import Depot, Pack, Person, Supplier
from shop.services.supplier_orders import OrderAsked, order_place
petra, shelf = Person.objects.get(username="petra"), Depot.objects.get(code="UY")
supplier = Supplier.objects.get(code="Brinnock")
pack = Pack.objects.select_related("product", "supplier").get(supplier=supplier, product__code="F01", size_l=60)
counts = [int(count) for count in sys.argv[1:]]
barrier = threading.Barrier(len(counts))
said = []
def place(count):
    connection.ensure_connection()
    barrier.wait()
    try:
        asked = OrderAsked(0, [(pack, count)], mail_to="orders@brinnock.example")
        said.append("new" if order_place(petra, shelf, supplier, asked).is_new else "same")
    except ApplicationError as error:
        said.append(error.code)
    finally:
        connection.close()
threads = [threading.Thread(target=place, args=(count,)) for count in counts]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
print(" ".join(said))
"""


def said_by(database: dict[str, str], counts: list[int]) -> list[str]:
    env = {**os.environ, **database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", PLACE, *map(str, counts)]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=120, check=True)
    return sorted(done.stdout.split())


@pytest.mark.postgresql
def test_one_draft_becomes_one_order(own_database: dict[str, str]) -> None:
    assert said_by(own_database, [1] * PEOPLE) == ["new"] + ["same"] * (PEOPLE - 1)
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        assert connection.execute("select number, draft from shop_supplierorder").fetchall() == [
            ("UY-2026-001", 0)
        ]
        assert connection.execute("select count(*) from shop_ordermail").fetchone() == (1,)
        assert connection.execute(
            "select litres from shop_orderedline where order_id is not null"
        ).fetchall() == [(60.0,)]


@pytest.mark.postgresql
def test_two_people_who_changed_the_draft_differently_get_one_order_and_one_is_told(
    own_database: dict[str, str],
) -> None:
    assert said_by(own_database, [1, 2]) == ["draft-placed", "new"]
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        assert connection.execute("select count(*) from shop_supplierorder").fetchone() == (1,)
