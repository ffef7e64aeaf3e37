"""A held clock, a mail folder and a mail server of its own for every mail test."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from shop import clock
from tests.notifications.inbox import Inbox
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


@pytest.fixture
def inbox(settings: Any) -> Iterator[Inbox]:
    kept = Inbox()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(kept, hostname="127.0.0.1", port=port)
    controller.start()
    settings.MAIL_FOLDER = None
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
    yield kept
    controller.stop()
