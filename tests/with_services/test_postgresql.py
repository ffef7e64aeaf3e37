"""The tests of the records run on PostgreSQL as well."""

import json
import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
DATABASE_URL = os.environ.get("TEST_DATABASE_URL", "postgres://postgres@127.0.0.1:5432/postgres")


@pytest.mark.postgresql
@pytest.mark.slow
def test_records_keep_their_promises_on_postgresql(tmp_path: Path) -> None:
    result = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "tests/golden",
            "tests/shop/services",
            "tests/shop/selectors",
            # Pages and the interface show what the selectors read and do what the services do.
            "tests/notifications",
            "--ignore=tests/notifications/render",
            "-q",
            "-x",
            "-p",
            "no:cacheprovider",
        ],
        cwd=ROOT,
        env={
            **os.environ,
            "DATABASE_URL": DATABASE_URL,
            "DATA_DIR": str(tmp_path),
            # Nothing here has to outlive a power cut.
            "PGOPTIONS": "-c synchronous_commit=off",
        },
        capture_output=True,
        text=True,
        timeout=1200,
        check=False,
    )
    assert result.returncode == 0, result.stdout[-5000:]
    assert " passed" in result.stdout.splitlines()[-1] or "100%" in result.stdout


@pytest.mark.postgresql
def test_depots_that_share_a_shelf_run_at_the_same_moment(own_database: dict[str, str]) -> None:
    commands = [
        [sys.executable, "manage.py", "daily_run", "--as-of", "2026-03-02", "--depot", code, "--json"]
        for code in ("UY", "LY", "UY", "LY")
    ]
    processes = [
        subprocess.Popen(
            command, cwd=ROOT, env=own_database, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for command in commands
    ]
    for process in processes:
        output, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors
        assert [run["state"] for run in json.loads(output)["runs"]] == ["done"], output
    with psycopg.connect(own_database["DATABASE_URL"]) as connection:
        (lines,) = connection.execute("select count(*) from shop_dueline").fetchone() or (0,)
        (mails,) = connection.execute(
            "select count(*) from notifications_mail where state = 'sent'"
        ).fetchone() or (0,)
    assert (lines, mails) == (200, 3)
