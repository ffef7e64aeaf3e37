"""The demo depot, loaded through the ordinary importer and run for its day 0."""

import datetime
from collections.abc import Iterator
from pathlib import Path

import pytest

from notifications.services.daily import daily_run
from shop import clock
from shop.models import Depot, Person
from shop.services.imports.loading import folder_load

ROOT = Path(__file__).resolve().parents[2]
DAY_0 = datetime.date(2026, 3, 2)


@pytest.fixture
def day_0(settings: object, tmp_path: Path) -> Iterator[datetime.date]:
    """Hold the clock at the demo's morning and keep its mails in a folder of the test."""
    settings.MAIL_FOLDER = tmp_path / "mail"
    clock.pin(datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC))
    yield DAY_0
    clock.pin(None)


@pytest.fixture
def depot_run(db: None, day_0: datetime.date) -> datetime.date:
    """Load the depot and run both sites' day."""
    report = folder_load(ROOT / "fixtures_demo")
    assert not report.refusals
    for depot in Depot.objects.order_by("code"):
        daily_run(depot, day_0)
    return day_0


@pytest.fixture
def foreman(depot_run: datetime.date) -> Person:
    return Person.objects.get(username="ines")
