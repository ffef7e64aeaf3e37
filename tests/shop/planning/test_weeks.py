"""Litres by week: calendar, chances, pooling, the guard, and stock that spoils. Figures worked by hand."""

import datetime
from statistics import NormalDist

import numpy as np
import pytest

from shop.planning.demand import JobNeed, pool_need
from shop.planning.weeks import (
    JobsByWeek,
    WeeklyNeed,
    chances_by_week,
    exposed_weeks,
    pool_weeks,
    required_l,
    usable_l,
    week_begins,
    week_of,
    weeks_of,
    weeks_of_months,
)

WEDNESDAY = datetime.date(2026, 3, 4)


def test_the_first_week_is_the_rest_of_this_one():
    begins = week_begins(WEDNESDAY, 3)
    assert begins == (WEDNESDAY, datetime.date(2026, 3, 9), datetime.date(2026, 3, 16))
    days = [datetime.date(2026, 3, 1), WEDNESDAY, datetime.date(2026, 3, 8), datetime.date(2026, 3, 9)]
    assert [week_of(day, begins) for day in days] == [0, 0, 0, 1]
    assert week_of(datetime.date(2026, 3, 23), begins) == 3
    ahead = np.array([-3.0, 0.0, 4.0, 5.0, 11.0, 12.0, 19.0])
    assert weeks_of(ahead, begins).tolist() == [0, 0, 0, 1, 1, 2, 3]
    assert week_begins(datetime.date(2026, 3, 9), 2)[1] == datetime.date(2026, 3, 16)


def test_what_is_due_before_it_can_be_done_is_done_in_the_first_week_it_can():
    by_end = np.array([[0.2, 0.5, 0.9, 1.0]] * 3 + [[np.nan, 0.4, 0.3, 0.3]])
    found = chances_by_week(by_end, np.array([0, 2, 4, 0]), np.array([1.0, 0.5, 1.0, 1.0]))
    assert found[0].tolist() == pytest.approx([0.2, 0.3, 0.4, 0.1])
    assert found[1].tolist() == pytest.approx([0.0, 0.0, 0.45, 0.05])
    assert found[2].tolist() == [0.0] * 4
    assert found[3].tolist() == pytest.approx([0.0, 0.4, 0.0, 0.0])


def jobs_of(chances: list[list[float]], litres: list[float], sd: float) -> JobsByWeek:
    return JobsByWeek(
        np.arange(1.0, len(litres) + 1), np.array(litres), np.full(len(litres), sd), np.array(chances)
    )


def test_without_jobs_there_are_the_top_ups():
    need = pool_weeks(JobsByWeek.none(3), 2.0)
    assert (need.mean_l.tolist(), need.variance_l2.tolist(), need.most_l.tolist()) == (
        [2.0] * 3, [0.0] * 3, [2.0, 4.0, 6.0],
    )  # fmt: skip


def test_one_week_of_jobs_is_pooled_as_the_ordering_list_pools_them():
    """The list's own sum (mean 41.95, sd 8.86 of seven jobs) comes out again when all fall into one week."""
    figures = [(0.97, 10.6), (0.94, 10.6), (0.88, 10.6), (0.80, 3.9), (0.50, 10.6), (0.30, 10.6), (0.20, 3.9)]
    need = pool_weeks(
        jobs_of([[chance] for chance, _ in figures], [litres for _, litres in figures], 0.3), 0.0
    )
    as_list = pool_need(
        [
            JobNeed(f"K{n}", "", litres, chance, 1.0, 1.0, WEDNESDAY)
            for n, (chance, litres) in enumerate(figures)
        ],
        0.0,
    )
    assert need.mean_l[0] == pytest.approx(as_list.mean_l) == pytest.approx(41.95, abs=0.01)
    assert need.variance_l2[0] ** 0.5 == pytest.approx(as_list.sd_l) == pytest.approx(8.86, abs=0.01)
    assert required_l(need, 1)[0] == pytest.approx(as_list.order_up_to_l)


def test_the_guard_covers_the_exposed_weeks_and_never_more_than_all_jobs():
    need = pool_weeks(jobs_of([[0.5, 0.0, 0.5]] * 4, [10.0] * 4, 0.0), 1.0)
    z = NormalDist().inv_cdf(0.95)
    # Variance of a week with four such jobs: 4 x 0.25 x 100; two exposed weeks hold one such week each.
    assert need.drawn_l.tolist() == [21.0, 22.0, 43.0]
    assert required_l(need, 2).tolist() == pytest.approx([21 + z * 10, 22 + z * 10, 43.0])
    assert need.most_l.tolist() == [41.0, 42.0, 43.0]


def test_stock_that_spoils_is_used_first_and_what_is_left_of_it_is_gone():
    drawn = np.array([2.0, 4.0, 20.0])
    # Five litres good until the end of the second week: four are used, one is lost from the third on.
    assert usable_l(25.0, [(1, 5.0)], drawn).tolist() == [25.0, 25.0, 24.0]
    assert usable_l(25.0, [(1, 3.0), (0, 5.0)], drawn).tolist() == [25.0, 22.0, 21.0]
    assert usable_l(5.0, [(9, 5.0)], drawn).tolist() == [5.0, 5.0, 5.0]


def test_months_and_days_as_weeks():
    assert (weeks_of_months(12), weeks_of_months(0.1)) == (52, 1)
    assert (exposed_weeks(27), exposed_weeks(28), exposed_weeks(0)) == (4, 4, 1)


def test_what_has_to_be_at_hand_for_one_period_is_the_newsvendor_s_quantity():
    """Snyder and Shen, example 4.3, as in the docstrings of stockpyl 1.0.2: N(50, 8), critical ratio 0.795455."""
    need = WeeklyNeed(np.array([50.0]), np.array([64.0]), np.array([1e9]))
    assert required_l(need, 1, 0.70 / 0.88)[0] == pytest.approx(56.60395592743389)


def test_what_has_to_be_at_hand_over_a_lead_is_the_reorder_point():
    """d 10, sd 3 a period, lead 9, 95 %: safety 14.8037, reorder point 104.8037 (textbook formula, from memory)."""
    need = WeeklyNeed(np.full(9, 10.0), np.full(9, 9.0), np.full(9, 1e9))
    assert required_l(need, 9)[-1] == pytest.approx(104.8037, abs=1e-4)
