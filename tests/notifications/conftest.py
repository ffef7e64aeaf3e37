"""A held clock and a mail folder of its own for every mail test."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from shop import clock
from tests.notifications.rows import MORNING


@pytest.fixture(autouse=True)
def _morning() -> Iterator[None]:
    clock.pin(MORNING)
    yield
    clock.pin(None)


@pytest.fixture
def mail_folder(settings: Any, tmp_path: Path) -> Path:
    settings.MAIL_FOLDER = tmp_path / "mail"
    return settings.MAIL_FOLDER
