"""The pure rooms load and work where Django, DRF, Celery, Redis and psycopg cannot be imported at all."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROBE = """
import importlib, pkgutil, sys

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"django", "rest_framework", "celery", "redis", "psycopg", "kombu"}:
            raise ImportError(f"{name} must not be loaded here")
        return None

sys.meta_path.insert(0, Blocked())
room = importlib.import_module(sys.argv[1])
loaded = [sys.argv[1]]
for found in pkgutil.walk_packages(room.__path__, room.__name__ + "."):
    importlib.import_module(found.name)
    loaded.append(found.name)
print(len(loaded))
"""


@pytest.mark.parametrize("room", ["intervals", "shop.planning", "notifications.render"])
def test_room_loads_without_any_framework(room: str) -> None:
    result = subprocess.run(
        [sys.executable, "-W", "error", "-c", PROBE, room],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert int(result.stdout) > 3


def test_the_probe_notices_an_impure_room() -> None:
    result = subprocess.run(
        [sys.executable, "-c", PROBE, "shop.selectors"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert result.returncode != 0
    assert "must not be loaded here" in result.stderr
