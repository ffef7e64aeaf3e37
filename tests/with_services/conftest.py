"""A PostgreSQL database of its own for tests that start real processes."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

ROOT = Path(__file__).resolve().parents[2]
DATABASE_URL = os.environ.get("TEST_DATABASE_URL", "postgres://postgres@127.0.0.1:5432/postgres")


@pytest.fixture
def own_database(tmp_path: Path) -> Iterator[dict[str, str]]:
    """A database of its own with the demo depot in it; gone again afterwards."""
    name = f"hatchmark_try_{os.getpid()}"
    with psycopg.connect(DATABASE_URL, autocommit=True) as connection:
        connection.execute(f"create database {name}")
        env = {
            **os.environ,
            "DATABASE_URL": DATABASE_URL.rsplit("/", 1)[0] + f"/{name}",
            "DATA_DIR": str(tmp_path),
        }
        try:
            for command in (["migrate"], ["load", "fixtures_demo"]):
                subprocess.run(
                    [sys.executable, "manage.py", *command, "--verbosity", "0"], cwd=ROOT, env=env, check=True
                )
            yield env
        finally:
            connection.execute(f"drop database {name} with (force)")
