"""The demo depot, made once, for tests that start real processes: a copy of their own in SQLite or PostgreSQL."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest

from tests.with_services.commands import environment, load_demo

DATABASE_URL = os.environ.get("TEST_DATABASE_URL", "postgres://postgres@127.0.0.1:5432/postgres")
MADE, OWN = (f"hatchmark_{name}_{os.getpid()}" for name in ("made", "try"))


@pytest.fixture(scope="session")
def _made_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    load_demo(environment(folder))
    return folder


@pytest.fixture
def own_place(_made_folder: Path) -> Callable[[Path], dict[str, str]]:
    """Return a function that puts the demo depot into a folder and returns the environment of its processes."""

    def placed(folder: Path) -> dict[str, str]:
        shutil.copytree(_made_folder, folder, dirs_exist_ok=True)
        return environment(folder)

    return placed


@pytest.fixture(scope="session")
def _made_database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with psycopg.connect(DATABASE_URL, autocommit=True) as connection:
        connection.execute(f"create database {MADE}")
        try:
            load_demo(_environment(MADE, tmp_path_factory.mktemp("demo")))
            yield
        finally:
            connection.execute(f"drop database {MADE} with (force)")


@pytest.fixture
def own_database(_made_database: None, tmp_path: Path) -> Iterator[dict[str, str]]:
    """A database of its own with the demo depot in it; gone again afterwards."""
    with psycopg.connect(DATABASE_URL, autocommit=True) as connection:
        connection.execute(f"create database {OWN} template {MADE}")
        try:
            yield _environment(OWN, tmp_path)
        finally:
            connection.execute(f"drop database {OWN} with (force)")


def _environment(database: str, folder: Path) -> dict[str, str]:
    return {**environment(folder), "DATABASE_URL": DATABASE_URL.rsplit("/", 1)[0] + f"/{database}"}
