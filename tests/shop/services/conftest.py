"""A held clock for services that ask what time it is, and a small fleet already loaded."""

import datetime

import pytest

from shop import clock
from tests.shop.services.small_fleet import FLEET, load, sentences


@pytest.fixture
def pinned_clock():
    """Hold the clock on 10 March 2026, 06:00 UTC."""
    clock.pin(datetime.datetime(2026, 3, 10, 6, 0, tzinfo=datetime.UTC))
    yield
    clock.pin(None)


@pytest.fixture
def fleet(pinned_clock, db):
    """Load the small fleet and return the report."""
    report = load(FLEET)
    assert sentences(report) == []
    return report
