"""Jobs of a year to come, against sums done by hand."""

import numpy as np
import pytest

from intervals.clocks import Clock
from intervals.errors import RuleError
from intervals.rules import AGE_CREDIT, BY_SAMPLE, FULL_CREDIT
from intervals.year_ahead import AheadClocks, JobsAhead, jobs_ahead, mean_rate, run_today

NAN = float("nan")


def clocks(*lines: list[tuple[float, float, float, float, float]]) -> AheadClocks:
    """Each line a list of (run, next run, interval, rate a day, age)."""
    return AheadClocks(*(np.array(lines, dtype=np.float64)[:, :, column] for column in range(5)))


def ahead(
    own: AheadClocks, share: float = 1.0, f_ref: float = 1.0, policy: str = AGE_CREDIT, last_day: int = 364
) -> JobsAhead:
    full = np.ones(len(own.run))
    return jobs_ahead(own, share * full, f_ref * full, full, policy, last_day)


def steady(interval: float, lines: int = 1) -> AheadClocks:
    return clocks(*[[(0.0, interval, interval, 100.0, 0.0)]] * lines)


def test_a_sixth_shorter_interval_makes_a_fifth_more_jobs() -> None:
    """By hand: at 100 km/day 60 000 km are 600 days and 50 000 km 500; 30 000 days hold 50 jobs and 60, 1.2 times."""
    before, after = ahead(steady(60_000, 3), last_day=30_000), ahead(steady(50_000, 3), last_day=30_000)
    assert before.days[before.lines == 1].tolist() == list(range(600, 30_001, 600))
    assert (len(before.days), len(after.days)) == (150, 180)
    assert len(after.days) / len(before.days) == pytest.approx(1.2)


def test_a_partial_exchange_settles_at_its_share_of_the_interval() -> None:
    """By hand: f 0.5 of 10 000 km. Fresh fluid runs 10 000; left at 5 000 it may run 5 000 to be 10 000 old again.

    At 100 km/day: day 100, then every 50 days.
    """
    assert ahead(steady(10_000), share=0.5).days.tolist() == [100, 150, 200, 250, 300, 350]
    assert ahead(steady(10_000), share=0.5, policy=FULL_CREDIT).days.tolist() == [100, 200, 300]


def test_assumed_freshness_of_the_service_gives_the_whole_interval() -> None:
    """By hand: f = f_ref = 0.5, fluid settled: 20 000 old before, 10 000 after; 10 000/0.5 − 10 000 = 10 000 km."""
    settled = clocks([(0.0, 10_000.0, 10_000.0, 100.0, 10_000.0)])
    assert ahead(settled, share=0.5, f_ref=0.5).days.tolist() == [100, 200, 300]


def test_the_first_clock_counts_and_both_start_again() -> None:
    """By hand: 12 000 km at 50 km/day are 240 days, the calendar allows 180 less the 80 gone: day 100, 280."""
    own = clocks([(0.0, 12_000.0, 12_000.0, 50.0, 0.0), (80.0, 180.0, 180.0, 1.0, 0.0)])
    assert ahead(own).days.tolist() == [100, 280]
    by_distance = clocks([(9_000.0, 12_000.0, 12_000.0, 60.0, 0.0), (0.0, 365.0, 365.0, 1.0, 0.0)])
    assert ahead(by_distance).days.tolist() == [50, 250]


def test_what_is_late_is_done_first_and_its_age_carries_over() -> None:
    """By hand: 12 000 km run of 10 000, f 0.5: 6 000 stay, 4 000 km to go at 100 km/day, then 5 000."""
    late = clocks([(12_000.0, 10_000.0, 10_000.0, 100.0, 0.0)])
    assert ahead(late, share=0.5, last_day=100).days.tolist() == [0, 40, 90]


def test_one_change_that_is_not_enough_comes_again_a_week_later() -> None:
    """By hand: 30 000 km old, f 0.5: 15 000 is past 10 000; a week and 700 km later 7 850, so 2 150 km or 21.5 days."""
    late = clocks([(30_000.0, 10_000.0, 10_000.0, 100.0, 0.0)])
    assert ahead(late, share=0.5, last_day=30).days.tolist() == [0, 7, 28]


def test_unknown_and_standing_clocks() -> None:
    own = clocks(
        [(NAN, NAN, 10_000.0, 100.0, NAN), (NAN, NAN, NAN, 1.0, NAN)],
        [(0.0, 10_000.0, 10_000.0, 0.0, 0.0), (NAN, NAN, NAN, 1.0, NAN)],
        [(NAN, NAN, 10_000.0, 100.0, NAN), (300.0, 360.0, 360.0, 1.0, 0.0)],
        [(0.0, 10_000.0, 10_000.0, NAN, 0.0), (NAN, NAN, NAN, 1.0, NAN)],
    )
    found = ahead(own)
    assert found.is_known.tolist() == [False, True, True, False]
    assert list(zip(found.lines.tolist(), found.days.tolist(), strict=True)) == [(2, 60)]


def test_the_laboratory_decides_beyond_the_first_job() -> None:
    assert ahead(steady(10_000), policy=BY_SAMPLE).days.tolist() == [100]


def test_a_vehicle_that_leaves_has_no_jobs_after_that() -> None:
    own, full = steady(10_000, 2), np.ones(2)
    found = jobs_ahead(own, full, full, full, AGE_CREDIT, np.array([364, 200]))
    assert [found.days[found.lines == line].tolist() for line in (0, 1)] == [[100, 200, 300], [100, 200]]


def test_no_lines_have_no_jobs() -> None:
    none = np.zeros((0, 3))
    found = jobs_ahead(
        AheadClocks(none, none, none, none, none), np.zeros(0), np.zeros(0), np.zeros(0), AGE_CREDIT
    )
    assert found.days.size == 0


def test_arrays_that_do_not_match_are_refused() -> None:
    with pytest.raises(RuleError, match=r"\(n, k\)"):
        AheadClocks(np.zeros((2, 3)), *[np.zeros((2, 2))] * 4)


def test_the_rate_of_a_year_is_the_mean_of_its_stretches() -> None:
    """By hand: 30 days at 0.5, 183 days at 4, 152 days at 0.5: (15 + 732 + 76) / 365 = 2.2548 h/day."""
    five = [np.array([figure]) for figure in (400.0, 340.0, 400.0, 10.0, 4.0, 3.0)]
    starts, rates = np.array([[-10.0, 30.0, 213.0]]), np.array([[0.5, 4.0, 0.5]])
    seasonal = Clock(five[0], five[1], five[2], five[3], five[4], five[5], starts, rates)
    assert mean_rate(seasonal)[0] == pytest.approx(823 / 365)
    assert run_today(seasonal)[0] == pytest.approx(345.0)
    unknown = Clock.steady(five[0], five[1], five[2], five[3], np.array([NAN]), five[5])
    assert np.isnan(mean_rate(unknown)[0])
