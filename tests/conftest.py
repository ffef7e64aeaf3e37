"""What holds for every test: services that are not there are named, and in CI their absence is a failure."""

import os
import socket
import string
from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from django.middleware import csrf

SERVICES: dict[str, Callable[[], str]] = {
    "postgresql": lambda: os.environ.get("TEST_DATABASE_URL", "postgres://127.0.0.1:5432"),
    "redis": lambda: os.environ.get("TEST_REDIS_URL", "redis://127.0.0.1:6379"),
}
NOT_RUN = pytest.StashKey[list[str]]()


def is_reachable(url: str) -> bool:
    parts = urlsplit(url)
    try:
        with socket.create_connection((parts.hostname or "127.0.0.1", parts.port or 0), timeout=2):
            return True
    except OSError:
        return False


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put files with slow tests first, and leave out, by name, what needs a service this machine does not offer.

    On several processes a slow file that comes last keeps one busy while the others have nothing left. In CI nothing is
    left out.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)
    config.stash[NOT_RUN] = []
    if os.environ.get("CI"):
        return
    missing = {name for name, url in SERVICES.items() if not is_reachable(url())}
    kept, left_out = [], []
    for item in items:
        (left_out if missing & {mark.name for mark in item.iter_markers()} else kept).append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        config.stash[NOT_RUN] = sorted(item.nodeid for item in left_out)
        items[:] = kept


@pytest.fixture(autouse=True)
def random_words_in_small_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the random words in the forms of a page of small letters only: so none of them spells a code looked for."""
    monkeypatch.setattr(csrf, "CSRF_ALLOWED_CHARS", string.ascii_lowercase)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for node in config.stash.get(NOT_RUN, []):
        terminalreporter.write_line(f"not run, its service is not reachable here: {node}")
