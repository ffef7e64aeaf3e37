"""Usage per day against statistics' median and straight interpolation, row by row, and against odd readings."""

import math
import statistics
from itertools import pairwise

import numpy as np
import pytest

from intervals.errors import ReadingError
from intervals.usage import REASONS, Usage, busiest_per_day, usage_from_readings

NAN = np.nan


def one(days: list[float], totals: list[float], as_of: int, class_rate: float = NAN) -> Usage:
    return usage_from_readings(np.array([days]), np.array([totals]), as_of, np.array([class_rate]))


def by_hand(days: list[float], totals: list[float], window: int = 90) -> tuple[float, float]:
    """The same definitions, spelt out with numpy's own interpolation and the standard library's median."""
    last = days[-1]
    ends = [last - 7 * k for k in range(window // 7 + 1) if last - 7 * k >= days[0]]
    at = np.interp(ends, days, totals)
    rate = statistics.median((after - before) / 7 for after, before in pairwise(at))
    pairs = list(zip(days, days[1:], totals, totals[1:], strict=False))
    odd = [(t1 - t0 - rate * (d1 - d0)) ** 2 / (d1 - d0) for d0, d1, t0, t1 in pairs if d1 > last - window]
    sigma = math.sqrt(sum(odd) / len(odd)) if len(odd) > 1 else 0.5 * rate * math.sqrt(28)
    return rate, sigma


def test_rates_agree_with_the_definitions_spelt_out() -> None:
    source = np.random.default_rng(5)
    rows, days, totals = 60, np.full((60, 14), NAN), np.full((60, 14), NAN)
    for row in range(rows):
        count = int(source.integers(5, 15))
        days[row, :count] = 739_000 + np.cumsum(source.integers(3, 25, count)) + 20
        totals[row, :count] = 50_000 + np.cumsum(source.uniform(0, 3_000, count))
    got = usage_from_readings(days, totals, 740_000, np.full(rows, NAN))
    for row in range(rows):
        known = ~np.isnan(days[row])
        rate, sigma = by_hand(days[row][known].tolist(), totals[row][known].tolist())
        if days[row][known][-1] - days[row][0] >= 28:
            assert got.rate_per_day[row] == pytest.approx(rate, rel=1e-12)
            assert got.sigma_per_sqrt_day[row] == pytest.approx(sigma, rel=1e-9)
            assert REASONS[got.reason[row]] == ""
        assert got.stale_days[row] == 740_000 - days[row][known][-1]
        assert got.last_total[row] == totals[row][known][-1]


def test_steady_use_has_its_rate_and_no_scatter() -> None:
    got = one([0, 10, 40, 77], [0, 1_500, 6_000, 11_550], 80)
    assert got.rate_per_day[0] == pytest.approx(150)
    assert got.sigma_per_sqrt_day[0] == pytest.approx(0, abs=1e-9)
    assert (got.stale_days[0], got.intervals_used[0], bool(got.is_class_rate[0])) == (3, 3, False)


def test_scatter_of_daily_readings_is_the_scatter_they_were_made_with() -> None:
    source = np.random.default_rng(8)
    meters, days = 400, 91
    steps = source.normal(150, 95, (meters, days))
    steps = np.clip(steps, 0, None)
    totals = np.cumsum(steps, axis=1)
    got = usage_from_readings(np.tile(np.arange(float(days)), (meters, 1)), totals, 90, np.full(meters, NAN))
    assert np.median(got.rate_per_day) == pytest.approx(steps.mean(), rel=0.02)
    assert np.median(got.sigma_per_sqrt_day) == pytest.approx(steps.std(), rel=0.03)


def test_one_odd_week_does_not_move_the_rate() -> None:
    days = [7.0 * week for week in range(13)]
    totals = [1_050.0 * week + (4_000 if week >= 6 else 0) for week in range(13)]
    assert one(days, totals, 84).rate_per_day[0] == pytest.approx(150)


def test_only_the_last_ninety_days_count() -> None:
    days = [0.0, 200.0, 245.0, 290.0]
    assert one(days, [0, 60_000, 64_500, 69_000], 290).rate_per_day[0] == pytest.approx(100)


def test_short_history_takes_the_class_rate_with_half_its_size_as_spread() -> None:
    got = one([0, 27], [0, 5_000], 27, class_rate=120)
    assert got.rate_per_day[0] == 120
    assert got.is_class_rate[0]
    assert got.sigma_per_sqrt_day[0] * math.sqrt(28) == pytest.approx(0.5 * 120 * 28)
    assert REASONS[got.reason[0]].endswith("rate of the class")
    assert one([0, 28], [0, 2_800], 28, class_rate=120).rate_per_day[0] == pytest.approx(100)


def test_a_single_stretch_is_not_taken_for_certainty() -> None:
    got = one([0, 60], [0, 6_000], 60)
    assert got.rate_per_day[0] == pytest.approx(100)
    assert got.sigma_per_sqrt_day[0] == pytest.approx(0.5 * 100 * math.sqrt(28))


def test_what_cannot_be_said_is_unknown_and_named() -> None:
    short, empty = one([0, 5], [0, 700], 9), one([NAN, NAN], [NAN, NAN], 9)
    assert "no class rate" in REASONS[short.reason[0]]
    assert "no reading yet and" in REASONS[empty.reason[0]]
    assert np.isnan(
        [short.rate_per_day[0], empty.rate_per_day[0], empty.last_total[0], empty.stale_days[0]]
    ).all()
    back = one([0, 20, 40], [0, 900, 800], 40, class_rate=100)
    twice = one([0, 20, 20, 40], [0, 900, 950, 1_800], 40, class_rate=100)
    assert [REASONS[got.reason[0]] for got in (back, twice)] == [
        "the total goes back",
        "readings out of order, or two on one day",
    ]
    assert np.isnan([back.rate_per_day[0], twice.rate_per_day[0]]).all()
    assert one([NAN], [NAN], 9, class_rate=80).rate_per_day[0] == 80


def test_standing_vehicle_has_the_rate_zero_not_unknown() -> None:
    got = one([0, 30, 60], [500, 500, 500], 60, class_rate=100)
    assert (got.rate_per_day[0], got.sigma_per_sqrt_day[0], REASONS[got.reason[0]]) == (0.0, 0.0, "")


def test_gaps_anywhere_and_readings_still_to_come_do_not_count() -> None:
    plain = one([0, 30, 60], [0, 3_100, 6_000], 61)
    gappy = one([NAN, 0, NAN, 30, 60, 62, 99], [NAN, 0, NAN, 3_100, 6_000, 9_000, 12_000], 61)
    for name in Usage.__slots__:
        assert getattr(plain, name)[0] == pytest.approx(getattr(gappy, name)[0])


def test_blocks_join_without_a_seam() -> None:
    meters = 4_500
    days = np.tile(np.array([0.0, 30, 60, 88]), (meters, 1))
    totals = days * np.arange(meters)[:, None]
    got = usage_from_readings(days, totals, 90, np.full(meters, NAN))
    assert got.rate_per_day == pytest.approx(np.arange(meters), rel=1e-12)
    none = usage_from_readings(np.empty((0, 3)), np.empty((0, 3)), 90, np.empty(0))
    assert len(none.rate_per_day) == 0


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ReadingError, match="do not match"):
        usage_from_readings(np.zeros((2, 3)), np.zeros((2, 4)), 9, np.zeros(2))


def test_the_busiest_stretch_of_the_latest_ones_is_told_where_there_are_enough() -> None:
    """By hand: 700 km in seven days but for one week of 1 400 at the front; the third meter has too few."""
    days = np.tile(7.0 * np.arange(10), (3, 1))
    totals = np.cumsum(np.full((3, 10), 700.0), axis=1)
    totals[1, 1:] += 700.0
    days[2, 8:], totals[2, 8:] = np.nan, np.nan
    np.testing.assert_allclose(busiest_per_day(days, totals), [100.0, 200.0, np.nan])
    np.testing.assert_allclose(busiest_per_day(days, totals, stretches=8)[1], 100.0)
