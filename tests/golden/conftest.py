"""The demo depot, loaded through the ordinary importer and run for its day 0, once for a file of tests.

The rows are committed: every test of the file begins from them, and its own transaction leaves them as they were.
"""

import datetime
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.management import call_command
from pytest_django import DjangoDbBlocker

from notifications.services.daily import daily_run
from shop import clock
from shop.models import Depot, Person
from shop.services.imports.loading import folder_load

ROOT = Path(__file__).resolve().parents[2]
DAY_0 = datetime.date(2026, 3, 2)
MORNING = datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)


@pytest.fixture
def day_0(settings: object, tmp_path: Path) -> Iterator[datetime.date]:
    """Hold the clock at the demo's morning and keep its mails in a folder of the test."""
    settings.MAIL_FOLDER = tmp_path / "mail"
    clock.pin(MORNING)
    yield DAY_0
    clock.pin(None)


@pytest.fixture(scope="module")
def _depot_rows(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    with django_db_blocker.unblock(), pytest.MonkeyPatch.context() as patched:
        patched.setattr("django.conf.settings.MAIL_FOLDER", tmp_path_factory.mktemp("mail"))
        clock.pin(MORNING)
        report = folder_load(ROOT / "fixtures_demo")
        assert not report.refusals
        for depot in Depot.objects.order_by("code"):
            daily_run(depot, DAY_0)
        clock.pin(None)
    yield
    with django_db_blocker.unblock():
        call_command("flush", verbosity=0, interactive=False)


@pytest.fixture
def depot_run(_depot_rows: None, db: None, day_0: datetime.date) -> datetime.date:
    """Return the day of the depot after both sites' run."""
    return day_0


@pytest.fixture
def foreman(depot_run: datetime.date) -> Person:
    return Person.objects.get(username="ines")
