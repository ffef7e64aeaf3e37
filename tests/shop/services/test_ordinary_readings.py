"""A reading that counts at once by what is kept of its meter would have counted by the full judgement too."""

import datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shop import clock
from shop.models import Meter, MeterChange, Reading
from shop.services.due import due_refresh_now
from shop.services.meter_history import to_si
from shop.services.reading_judging import are_ordinary, judge_all, meters_held
from tests.factories import MeterFactory
from tests.shop.web.conftest import NOW, TODAY, Yard


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yard = Yard()
    yard.add("A1", 20_000)
    yield yard
    clock.pin(None)


def coming(meter: Meter, days_later: int, value: float) -> Reading:
    at = NOW + datetime.timedelta(days=days_later)
    return Reading(
        meter=meter, read_at=at, read_on=at.date(), source="driver", raw_text=str(value), raw_value=value
    )


def ordinary(readings: list[Reading]) -> list[bool]:
    columns = {
        "meter": [one.meter_id for one in readings],
        "day": [one.read_on.toordinal() for one in readings],
        "si": [to_si(one.raw_value, one.meter) for one in readings],
    }
    found = are_ordinary({name: np.array(column, dtype=float) for name, column in columns.items()})
    return found.tolist()


def keep(meter: Meter) -> None:
    due_refresh_now([meter.vehicle_id])


def test_an_ordinary_reading_counts_without_a_look_at_the_others(yard, django_assert_num_queries):
    meter = Meter.objects.get()
    keep(meter)
    reading = coming(meter, 3, 100_450)
    with django_assert_num_queries(1):
        assert ordinary([reading]) == [True]


@pytest.mark.parametrize(
    ("days_later", "value"),
    [(3, 99_999), (3, 103_000), (0, 100_010), (-1, 99_900)],
    ids=["lower", "too fast", "same day", "earlier"],
)
def test_what_is_out_of_the_ordinary_is_left_to_the_full_judgement(yard, days_later, value):
    meter = Meter.objects.get()
    keep(meter)
    reading = coming(meter, days_later, value)
    assert ordinary([reading]) == [False]


def test_two_readings_of_one_meter_and_a_changed_meter_are_left_to_it_too(yard):
    meter = Meter.objects.get()
    keep(meter)
    both = [coming(meter, 3, 100_450), coming(meter, 4, 100_600)]
    assert ordinary(both) == [False, False]
    MeterChange.objects.create(meter=meter, day=TODAY, kind="replaced", last_old=100_000, first_new=0)
    assert ordinary(both[:1]) == [False]


def test_a_meter_without_enough_behind_it_is_left_to_it_too(yard):
    meter = MeterFactory(vehicle=Meter.objects.get().vehicle, kind="engine hours", shown_in="h")
    keep(meter)
    reading = coming(meter, 1, 10)
    assert ordinary([reading]) == [False]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(st.tuples(st.integers(1, 20), st.floats(0, 900)), min_size=0, max_size=20),
    days=st.integers(1, 40),
    further=st.floats(-500, 30_000),
    is_miles=st.booleans(),
)
def test_what_counts_at_once_counts_by_the_full_judgement_with_the_same_total(
    yard, steps, days, further, is_miles
):
    meter = Meter.objects.get()
    meter.readings.all().delete()
    Meter.objects.update(shown_in="mi" if is_miles else "km", class_rate_per_day=None)
    meter.refresh_from_db()
    at, value = 0, 500_000.0
    history = []
    for gap, per_day in reversed(steps):
        history.append(coming(meter, -at, value))
        at, value = at + gap, value - gap * per_day
    judge_all(sorted(history, key=lambda one: one.read_at), meters_held([meter.pk]))
    Reading.objects.bulk_create(history)
    keep(meter)
    reading = coming(meter, days, 500_000.0 + further)
    (is_ordinary,) = ordinary([reading])
    judge_all([reading], meters_held([meter.pk]))
    if is_ordinary:
        assert (reading.status, reading.true_total) == ("accepted", to_si(reading.raw_value, meter))
