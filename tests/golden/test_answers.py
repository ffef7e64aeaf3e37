"""Answering what the tool asked re-projects at once."""

import datetime

import pytest

from shop import clock
from shop.models import Meter, Person, Reading
from shop.services.readings import reading_answer, reading_record
from tests.lines import told_line


def test_driver_reading_shrinks_the_range(foreman: Person) -> None:
    clock.pin(datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC))
    before = told_line(unit__code="K06-TB6")
    meter = Meter.objects.get(vehicle__number="K06")
    reading_record(meter, "78090", source="driver", person=foreman)
    after = told_line(unit__code="K06-TB6")
    assert after.facts["clocks"][0]["used"] == pytest.approx(56_090)
    assert (after.due_high_on - after.due_low_on) < (before.due_high_on - before.due_low_on)
    assert after.facts["stale_days"] == 0


def test_confirming_the_guess_counts_and_keeps_what_was_typed(foreman: Person) -> None:
    reading = Reading.objects.get(raw_text="51807")
    answered = reading_answer(reading, "as guessed", foreman)
    assert (answered.raw_text, answered.raw_value, answered.true_total) == (
        "51807",
        51807,
        pytest.approx(5180.7),
    )
    line = told_line(unit__code="K25-HA7", rule__subject="fluid")
    assert line.facts["last_reading"]["true_total"] == pytest.approx(5180.7)


def test_miles_vehicle_read_in_km_is_put_right(foreman: Person) -> None:
    reading_answer(Reading.objects.get(raw_text="61830"), "as guessed", foreman)
    line = told_line(unit__code="K37-HA5")
    assert line.facts["last_reading"] == {"true_total": 38419.4, "unit": "mi", "on": "2026-03-02"}


def test_unit_due_by_hours_is_late_only_beyond_a_tenth(foreman: Person) -> None:
    """US Army AR 750-1 and DA PAM 750-8: a tenth of the interval before and after; the boundary counts as inside."""
    clock.pin(datetime.datetime(2026, 3, 2, 12, 0, tzinfo=datetime.UTC))
    line = told_line(unit__code="K22-HA7", rule__subject="fluid")
    limit = line.facts["clocks"][-1]["limit"]
    assert limit == 1500.0
    assert (
        line.facts["clocks"][-1]["opens_share"] * limit,
        line.facts["clocks"][-1]["late_share"] * limit,
    ) == (
        pytest.approx(1350.0),
        pytest.approx(1650.0),
    )
