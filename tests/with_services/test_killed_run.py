"""Stop the daily run anywhere, run it again: same end state, no second mail."""

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.with_services.commands import ROOT, manage

Place = Callable[[Path], dict[str, str]]


def end_state(folder: Path) -> dict[str, object]:
    """Everything the run wrote, read past the application; row numbers and instants left out."""
    with sqlite3.connect(folder / "hatchmark.sqlite3") as connection:
        rows = connection.execute
        state = {
            "lines": rows("select u.code, d.state, d.due_on, d.used_share from shop_dueline d "
                          "join shop_unit u on u.id = d.unit_id order by 1, 4").fetchall(),
            "changes": rows("select count(*) from shop_statechange").fetchall(),
            "orders": rows("select product_id, net_l, order_l, sentence from shop_proposedline order by 1").fetchall(),
            "mails": rows("select to_address, subject, state from notifications_mail order by 1").fetchall(),
            "runs": rows("select as_of, state from shop_dailyrun order by depot_id").fetchall(),
        }  # fmt: skip
    connection.close()
    state["files"] = sorted(path.name for path in (folder / "mail").glob("*"))
    return json.loads(json.dumps(state))


@pytest.mark.slow
def test_killed_anywhere_ends_in_the_same_state(own_place: Place, tmp_path: Path) -> None:
    whole = tmp_path / "whole"
    env = own_place(whole)
    started = time.monotonic()
    manage(env, "daily_run", "--as-of", "2026-03-02")
    takes_s = time.monotonic() - started
    expected = end_state(whole)
    assert len(expected["mails"]) == 3
    for number, share in enumerate((0.55, 0.7, 0.8, 0.9, 0.95)):
        folder = tmp_path / f"killed{number}"
        env = own_place(folder)
        process = subprocess.Popen(
            [sys.executable, "manage.py", "daily_run", "--as-of", "2026-03-02"],
            cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        time.sleep(share * takes_s)
        process.kill()
        process.wait()
        manage(env, "daily_run", "--as-of", "2026-03-02")
        assert end_state(folder) == expected, f"killed after {share:.0%} of {takes_s:.1f} s"


def test_two_runs_at_once_do_the_work_once(own_place: Place, tmp_path: Path) -> None:
    whole, both = tmp_path / "whole", tmp_path / "both"
    env = own_place(whole)
    manage(env, "daily_run", "--as-of", "2026-03-02")
    env = own_place(both)
    command = [sys.executable, "manage.py", "daily_run", "--as-of", "2026-03-02"]
    processes = [
        subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    for process in processes:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors.decode()
    assert end_state(both) == end_state(whole)
