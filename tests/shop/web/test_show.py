"""How figures and days are written."""

import datetime
from types import SimpleNamespace

import pytest

from shop import clock
from shop.models.due import STATES
from shop.selectors.due import OVERLAYS
from shop.templatetags import show

DAY = datetime.date(2026, 3, 2)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (0.95, "95\u202f%"), (0.9767, "97.7\u202f%"), (1.1752, "117.5\u202f%"), (0.9999, "99.9\u202f%"),
        (0.8999, "89.9\u202f%"), (1.0999, "109.9\u202f%"), (1.0, "100\u202f%"), (0.0, "0\u202f%"), (None, "–"),
    ],
)  # fmt: skip
def test_a_share_never_reads_as_a_border_it_has_not_reached(value, written):
    assert show.share(value) == written


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (0.021, "2.1\u00a0weeks in\u00a0100"), (0.0031, "3\u00a0weeks in 1\u202f000"),
        (0.0007, "1\u00a0week in 1\u202f000"), (0.0001, "under 1\u00a0week in 1\u202f000"), (None, "–"),
    ],
)  # fmt: skip
def test_a_share_of_the_time_reads_as_weeks(value, written):
    assert show.weeks_of(value) == written


@pytest.mark.parametrize(
    "write", [show.number, show.amount, show.share, show.whole_share, show.litres, show.money]
)
def test_missing_is_a_dash_and_never_zero(write):
    assert write(None) == "–"


def test_figures_keep_thousands_together():
    assert show.number(57_000) == "57\u202f000"
    assert show.amount(10.10) == "10.1"
    assert show.amount(-0.001) == "0"
    assert show.run(3000.4, "km") == "3\u202f000\u00a0km"
    assert show.run(1, "days") == "1\u00a0day"
    assert show.money("1340.00", "EUR") == "1\u202f340.00\u00a0EUR"
    assert show.unbroken("65 414 km of 2 buses") == "65\u202f414 km of 2 buses"


def test_days_carry_their_year_only_when_it_is_another():
    assert show.day(datetime.date(2026, 3, 22), DAY) == "22\u00a0Mar"
    assert show.day(datetime.date(2027, 3, 22), DAY) == "22\u00a0Mar\u00a02027"
    assert show.weekday("2026-03-05") == "Thu 5\u00a0Mar"
    assert show.day(None, DAY) == "–"


def test_a_range_names_the_month_once_if_it_can():
    within = SimpleNamespace(due_low_on=datetime.date(2026, 3, 18), due_high_on=datetime.date(2026, 3, 26))
    over = SimpleNamespace(due_low_on=datetime.date(2026, 3, 27), due_high_on=datetime.date(2026, 4, 6))
    assert show.day_range(within) == "18–26\u00a0Mar"
    assert show.day_range(over) == "27\u00a0Mar – 6\u00a0Apr"


def test_local_time_follows_the_clock_change():
    """EU rule: summer time begins on the last Sunday of March at 01:00 UTC."""
    before = datetime.datetime(2026, 3, 29, 0, 30, tzinfo=datetime.UTC)
    after = datetime.datetime(2026, 3, 29, 1, 30, tzinfo=datetime.UTC)
    assert show.local_hour(before, "Europe/Berlin") == "01:30"
    assert show.local_hour(after, "Europe/Berlin") == "03:30"


def test_another_year_is_told_beside_a_local_time():
    clock.pin(datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC))
    try:
        shown = [
            show.local(datetime.datetime(year, 2, 27, 14, 40, tzinfo=datetime.UTC), "Europe/London")
            for year in (2026, 2025)
        ]
    finally:
        clock.pin(None)
    assert shown == ["Fri 27\u00a0Feb 14:40", "Thu 27\u00a0Feb\u00a02025 14:40"]


@pytest.mark.parametrize(
    ("quantity", "unit", "written"),
    [(2.0, "piece", "2 ×"), (3.0, "pair", "3 pairs"), (1.0, "pair", "1 pair"), (0.3, "kg", "0.3 kg")],
)
def test_parts_are_counted_as_people_count_them(quantity, unit, written):
    assert show.part_amount({"quantity": quantity, "unit": unit}) == written
    assert show.part_amount(SimpleNamespace(quantity=quantity, unit=unit)) == written


def test_every_state_and_overlay_has_its_own_shape():
    drawn = [show.mark(word) for word in [*STATES, *OVERLAYS]]
    assert len(set(drawn)) == len(drawn)
