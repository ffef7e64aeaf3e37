"""Twenty people pour into the last room of a container at the same moment: it never runs over."""

import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
WRITERS = 20
EACH_L = 30.0
ROOM_L = 370.0
POUR = """
import sys, threading
import django
django.setup()
from django.db import connection, transaction
from shop.errors import ConflictError
from shop.models import WasteMovement, WasteTank
from shop.services.wastes import Pour, waste_move
tank = WasteTank.objects.get(stream="used oil")
barrier = threading.Barrier(int(sys.argv[1]))
said = []
def pour():
    connection.ensure_connection()
    barrier.wait()
    try:
        with transaction.atomic():
            waste_move(tank, float(sys.argv[2]), WasteMovement.Reason.POURED, Pour())
        said.append("poured")
    except ConflictError as error:
        said.append("refused" if "cannot take" in error.sentence else error.sentence)
    finally:
        connection.close()
threads = [threading.Thread(target=pour) for _ in range(int(sys.argv[1]))]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
print("\\n".join(said))
"""


@pytest.mark.postgresql
def test_twenty_pourers_never_fill_it_above_the_brim(own_database: dict[str, str]) -> None:
    env = {**os.environ, **own_database, "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", POUR, str(WRITERS), str(EACH_L)],
        cwd=ROOT, env=env, capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    could_pour = int(ROOM_L // EACH_L)
    assert sorted(done.stdout.split()) == ["poured"] * could_pour + ["refused"] * (WRITERS - could_pour)
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        row = connection.execute(
            "select t.level_l, sum(m.litres) from shop_wastetank t join shop_wastemovement m on m.tank_id = t.id "
            "where t.stream = 'used oil' group by t.level_l"
        ).fetchone()
    assert row == (pytest.approx(630 + could_pour * EACH_L), pytest.approx(630 + could_pour * EACH_L))
