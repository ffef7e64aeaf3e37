"""The tests of the records run on PostgreSQL as well."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DATABASE_URL = os.environ.get("TEST_DATABASE_URL", "postgres://postgres@127.0.0.1:5432/postgres")


@pytest.mark.postgresql
def test_records_keep_their_promises_on_postgresql(tmp_path: Path) -> None:
    result = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "tests/golden",
            "tests/shop",
            "tests/notifications",
            "-q",
            "-x",
            "-p",
            "no:cacheprovider",
        ],
        cwd=ROOT,
        env={**os.environ, "DATABASE_URL": DATABASE_URL, "DATA_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=1200,
        check=False,
    )
    assert result.returncode == 0, result.stdout[-5000:]
    assert " passed" in result.stdout.splitlines()[-1] or "100%" in result.stdout
