"""A real worker, a real Redis: the daily run comes through the broker and is done once."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.with_services.commands import ROOT, manage

REDIS_URL = os.environ.get("TEST_REDIS_URL", "redis://127.0.0.1:6379/13")
START = """
import django, sys
django.setup()
from notifications.tasks import daily_run, daily_runs_due
for _ in range(3):
    daily_run.delay("UY", "2026-03-02")
    daily_run.delay("LY", "2026-03-02")
"""
LOOK = """
import django, json
django.setup()
from notifications.models import Mail
from shop.models import DailyRun, DueLine
print(json.dumps({
    "runs": sorted(f"{run.depot.code} {run.state}" for run in DailyRun.objects.all()),
    "lines": DueLine.objects.count(),
    "mails": sorted(f"{mail.to_address} {mail.state} {mail.attempts}" for mail in Mail.objects.all()),
}))
"""
DONE = {
    "runs": ["LY done", "UY done"],
    "lines": 200,
    "mails": [f"{name}@zellowby.example sent 0" for name in ("ines", "mara", "petra")],
}


@pytest.fixture
def place(own_place: Callable[[Path], dict[str, str]], tmp_path: Path) -> Iterator[dict[str, str]]:
    """An own data folder with the demo depot in it, and an empty broker database."""
    import redis

    broker = redis.Redis.from_url(REDIS_URL)
    broker.flushdb()
    yield {
        **own_place(tmp_path),
        "REDIS_URL": REDIS_URL,
        "DJANGO_SETTINGS_MODULE": "shop.settings",
        "PYTHONPATH": str(ROOT),
    }
    broker.flushdb()
    broker.close()


def python(env: dict[str, str], code: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=env, check=True, capture_output=True, text=True
    ).stdout


def worker(env: dict[str, str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "celery",
            "-A",
            "shop.celery",
            "worker",
            "--concurrency",
            "2",
            "--loglevel",
            "WARNING",
        ],
        cwd=ROOT,
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def wait_until_done(env: dict[str, str], seconds: float) -> dict[str, object]:
    import json

    until = time.monotonic() + seconds
    state: dict[str, object] = {}
    while time.monotonic() < until:
        state = json.loads(python(env, LOOK))
        if state == DONE:
            return state
        time.sleep(0.5)
    return state


@pytest.mark.redis
def test_daily_run_goes_through_redis_and_a_worker_once(place: dict[str, str]) -> None:
    process = worker(place)
    try:
        python(place, START)
        assert wait_until_done(place, 60) == DONE
        mails = sorted(path.name for path in (Path(place["DATA_DIR"]) / "mail").glob("*.eml"))
        assert mails == [f"2026-03-02_{name}_daily.eml" for name in ("ines", "mara", "petra")]
    finally:
        process.terminate()
        process.wait(timeout=30)


@pytest.mark.redis
def test_killed_worker_loses_nothing(place: dict[str, str]) -> None:
    """Kill -9 the worker while it works; a second one, or the command, ends in the same state."""
    process = worker(place)
    python(place, START)
    time.sleep(2.5)
    os.killpg(process.pid, 9)
    process.wait(timeout=30)
    manage(place, "daily_run", "--as-of", "2026-03-02")
    assert wait_until_done(place, 30) == DONE
