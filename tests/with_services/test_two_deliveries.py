"""Both lines of an order come in at the same moment, many times over: the order is closed every time."""

import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
TIMES = 3
RECEIVE = """
import sys, threading
import django
django.setup()
from django.db import connection
from shop.models import Depot, Pack, Person, Supplier
from shop.services.goods_in import PacksIn, goods_in
from shop.services.supplier_orders import OrderAsked, order_place
petra, shelf = Person.objects.get(username="petra"), Depot.objects.get(code="UY")
supplier = Supplier.objects.get(code="Brinnock")
packs = [
    Pack.objects.select_related("product", "supplier").get(supplier=supplier, product__code=code, size_l=size_l)
    for code, size_l in (("F01", 60), ("F15", 20))
]
failed = []
def receive(line, size_l, barrier):
    connection.ensure_connection()
    barrier.wait()
    try:
        goods_in(petra, shelf, line.product, [PacksIn(size_l, 1, "B-1")], line)
    except Exception as error:
        failed.append(repr(error))
    finally:
        connection.close()
for turn in range(int(sys.argv[1])):
    asked = OrderAsked(turn, [(pack, 1) for pack in packs], told="Oda")
    order = order_place(petra, shelf, supplier, asked).order
    barrier = threading.Barrier(2)
    threads = [
        threading.Thread(target=receive, args=(line, line.litres, barrier))
        for line in order.lines.select_related("product")
    ]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]
print(failed)
"""


@pytest.mark.postgresql
def test_two_deliveries_at_once_close_their_order(own_database: dict[str, str]) -> None:
    env = {**os.environ, **own_database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", RECEIVE, str(TIMES)]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, timeout=240, check=True)
    assert done.stdout.strip() == "[]"
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        states = connection.execute(
            "select state, count(*) from shop_supplierorder group by state"
        ).fetchall()
    assert states == [("closed", TIMES)]
