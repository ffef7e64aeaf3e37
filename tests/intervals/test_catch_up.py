"""The catch-up queue, against sums done by hand."""

import pytest

from intervals.catch_up import catch_up_weeks, spare_per_week, week_of
from intervals.errors import QuantityError


def test_a_fleet_of_unknown_history_is_worked_off_in_twelve_weeks() -> None:
    """By hand: 18 − 7 = 11 a week; 128 / 11 = 11.6, so 12 weeks; 11 weeks would leave 7 units."""
    assert catch_up_weeks(128, 18, 7) == 12
    weeks = [week_of(place, 18, 7) for place in range(128)]
    assert [weeks.count(week) for week in range(1, 13)] == [11] * 11 + [7]
    assert weeks == sorted(weeks, key=lambda week: week or 0)


@pytest.mark.parametrize("capacity", [7.0, 6.0, 0.0])
def test_without_spare_capacity_it_is_never_caught_up(capacity: float) -> None:
    assert catch_up_weeks(128, capacity, 7) is None
    assert week_of(0, capacity, 7) is None


def test_half_a_job_a_week_is_one_every_two_weeks() -> None:
    assert [week_of(place, 7.5, 7) for place in range(3)] == [2, 4, 6]


def test_a_whole_number_of_weeks_is_not_rounded_up_by_a_rounding_error() -> None:
    """By hand: 0.3 − 0.2 = 0.1 a week, which is a little less in binary; 3 units take 30 weeks."""
    assert catch_up_weeks(3, 0.3, 0.2) == 30


def test_an_empty_queue_takes_no_time() -> None:
    assert catch_up_weeks(0, 5, 7) == 0


@pytest.mark.parametrize(("capacity", "normal"), [(-1, 7), (18, -1), (float("nan"), 7), (18, float("inf"))])
def test_figures_that_are_none_are_refused(capacity: float, normal: float) -> None:
    with pytest.raises(QuantityError, match="zero or more"):
        spare_per_week(capacity, normal)
