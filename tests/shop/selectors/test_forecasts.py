"""The forecast tested on the fleet's own history: of a large fleet on some of its meters, evenly chosen."""

import datetime

import pytest

from shop.models import Meter, Person
from shop.selectors import forecasts
from shop.selectors.forecasts import fleet_test
from tests.factories import MeterFactory, ReadingFactory


@pytest.mark.django_db
def test_of_many_meters_every_so_many_th_is_tested(monkeypatch):
    begin = datetime.datetime(2024, 1, 1, 6, tzinfo=datetime.UTC)
    for number in range(5):
        meter = MeterFactory(kind=Meter.Kind.ODOMETER)
        for month in range(20):
            ReadingFactory(
                meter=meter,
                read_at=begin + datetime.timedelta(days=30 * month),
                raw_value=10_000 + (1_500 + 100 * number) * month,
            )
    person = Person.objects.create(username="all", is_superuser=True)
    everything = fleet_test(person, Meter.Kind.ODOMETER)
    assert (everything.meters, everything.of_meters, everything.readings) == (5, 5, 100)
    monkeypatch.setattr(forecasts, "MOST_METERS", 2)
    some = fleet_test(person, Meter.Kind.ODOMETER)
    # The first and the fourth: every third of five.
    assert (some.meters, some.of_meters, some.readings) == (2, 5, 40)
    assert 0 < some.leads[0][1].n < everything.leads[0][1].n
