"""Readings made fit for forecasting."""

import pytest

from intervals.errors import ReadingError
from intervals.forecast import clean_histories

DAY = 738_000


def one(totals, days=None):
    days = [DAY + 30 * place for place in range(len(totals))] if days is None else days
    return clean_histories(["K01"] * len(totals), ["vans"] * len(totals), days, totals)


def test_readings_are_put_in_order_by_meter_and_day():
    found = clean_histories(
        ["B", "A", "B", "A"], ["x", "y", "x", "y"], [DAY + 5, DAY, DAY, DAY + 9], [7, 1, 5, 2]
    )
    assert found.meter.tolist() == [0, 0, 1, 1]
    assert found.total.tolist() == [1, 2, 5, 7]
    assert found.place.tolist() == [1, 3, 2, 0]
    assert found.group.tolist() == [1, 1, 0, 0]


@pytest.mark.parametrize(
    ("totals", "kept", "aside", "meters"),
    [
        ([100, 200, 3000, 400, 500], [100, 200, 400, 500], [2], 1),  # a digit too many
        ([100, 200, 30, 400, 500], [100, 200, 400, 500], [2], 1),  # a digit too few
        ([100, 200, 300, 5, 90, 180], [100, 200, 300, 5, 90, 180], [], 2),  # the meter began anew
        ([100, 100, 100], [100, 100, 100], [], 1),  # it stood
        ([100], [100], [], 1),
    ],
)
def test_slips_are_set_aside_and_a_meter_that_began_anew_is_cut(totals, kept, aside, meters):
    found = one(totals)
    assert found.total.tolist() == kept
    assert [own.place for own in found.set_aside] == aside
    assert found.meters == meters
    assert found.cuts == meters - 1


def test_of_two_readings_on_a_day_the_higher_counts():
    found = one([100, 150, 140, 200], [DAY, DAY + 30, DAY + 30, DAY + 60])
    assert found.total.tolist() == [100, 150, 200]
    assert [own.place for own in found.set_aside] == [2]


@pytest.mark.parametrize("totals", [[100, -1], [100, float("nan")], [float("inf")]])
def test_what_no_meter_shows_is_refused(totals):
    with pytest.raises(ReadingError, match="below zero or not a number"):
        one(totals)


def test_columns_must_belong_together():
    with pytest.raises(ReadingError, match="different lengths"):
        clean_histories(["A"], [], [DAY], [1.0])
