"""The demo depot in a real browser.

Without Chromium these tests are reported as not run; where CI is set they fail instead.
"""

import datetime
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from django.db import connection
from playwright.sync_api import Browser, Page, sync_playwright

from shop import clock
from shop.models import Depot, Person
from shop.services.daily_run import run_steps
from shop.services.imports.loading import folder_load

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DEMO = Path(__file__).resolve().parents[2] / "fixtures_demo"
NOW = datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)
PASSWORD = "plain-long-words"
NOT_RUN = (
    "The browser tests were not run: no Chromium is on this machine. Install it and run pytest tests/browser."
)

# Playwright keeps an event loop in this thread, which Django would otherwise refuse to work beside.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Take the browser tests out of the run, saying so, where there is no browser."""
    if CHROMIUM is None and os.environ.get("CI") != "true":
        ours = [item for item in items if Path(item.path).is_relative_to(Path(__file__).parent)]
        items[:] = [item for item in items if item not in ours]
        config.hook.pytest_deselected(items=ours)
        config.stash[_SENTENCE] = NOT_RUN


_SENTENCE = pytest.StashKey[str]()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was not run."""
    if _SENTENCE in config.stash:
        terminalreporter.write_line(config.stash[_SENTENCE], yellow=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for a file."""
    assert CHROMIUM is not None, NOT_RUN
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def kept() -> Iterator[sqlite3.Connection]:
    """A database beside Django's that keeps a copy of the demo depot, once it has been loaded, for the next test."""
    with closing(sqlite3.connect(":memory:")) as connection:
        yield connection


@pytest.fixture
def site(live_server: object, kept: sqlite3.Connection) -> Iterator[str]:
    """Return the address of the demo depot on its day 0."""
    clock.pin(NOW)
    connection.ensure_connection()
    if kept.execute("select count(*) from sqlite_master").fetchone() == (0,):
        _load()
        if connection.vendor == "sqlite":
            connection.connection.backup(kept)
    else:
        kept.backup(connection.connection)
    yield live_server.url
    clock.pin(None)


def _load() -> None:
    assert not folder_load(DEMO).refusals
    for depot in Depot.objects.order_by("code"):
        assert not run_steps(depot, NOW.date()).error
    ines = Person.objects.get(username="ines")
    ines.set_password(PASSWORD)
    ines.save()


def open_page(browser: Browser, site: str, *, width: int = 1280, scheme: str = "light") -> Page:
    """Open a browser window, sign Ines in, and fail on anything the browser complains about."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.complaints = []
    page.on("console", lambda told: page.complaints.append(told.text) if told.type == "error" else None)
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.goto(f"{site}/sign-in")
    page.get_by_label("Sign-in name").fill("ines")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{site}/")
    return page
