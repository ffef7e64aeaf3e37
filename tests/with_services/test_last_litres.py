"""Twenty people take the last litres at the same moment: nobody takes what is not there."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
WRITERS = 20
EACH_L = 3.0
HELD_L = 20.0
TAKE = """
import sys, threading
import django
django.setup()
from django.db import connection, transaction
from shop.errors import ConflictError
from shop.models import StockItem, StockMovement
from shop.services.stock import Booking, litres_move
item = StockItem.objects.select_related("product").get(product__code="F01", label="A1 20 L sealed")
barrier = threading.Barrier(int(sys.argv[1]))
said = []
def take():
    connection.ensure_connection()
    barrier.wait()
    try:
        with transaction.atomic():
            litres_move(item, -float(sys.argv[2]), StockMovement.Reason.FILLED, Booking(None))
        said.append("taken")
    except ConflictError as error:
        said.append("refused" if "not the" in error.sentence else error.sentence)
    finally:
        connection.close()
threads = [threading.Thread(target=take) for _ in range(int(sys.argv[1]))]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
print("\\n".join(said))
"""


@pytest.mark.postgresql
def test_twenty_writers_never_take_more_than_there_is(own_database: dict[str, str]) -> None:
    env = {**own_database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}

    def writers(count: int) -> list[str]:
        command = [sys.executable, "-c", TAKE, str(count), str(EACH_L)]
        done = subprocess.run(
            command,
            cwd=ROOT,
            env={**os.environ, **env},
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        return done.stdout.split()

    with ThreadPoolExecutor(2) as pool:
        said = [word for words in pool.map(writers, [WRITERS // 2] * 2) for word in words]
    could_take = int(HELD_L // EACH_L)
    assert sorted(said) == ["refused"] * (WRITERS - could_take) + ["taken"] * could_take
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        (left_l,) = connection.execute(
            "select on_shelf_l from shop_stockitem where label = 'A1 20 L sealed'"
        ).fetchone() or (None,)
        (booked_l,) = connection.execute(
            "select sum(m.litres) from shop_stockmovement m join shop_stockitem i on i.id = m.item_id "
            "where i.label = 'A1 20 L sealed'"
        ).fetchone() or (None,)
    assert left_l == pytest.approx(HELD_L - could_take * EACH_L) == booked_l
