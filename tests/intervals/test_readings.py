"""Meters that are replaced, roll over or are misread."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from intervals.errors import ReadingError
from intervals.readings import (
    MeterChange,
    are_surely_accepted,
    judge,
    offsets,
    roll_over,
    rolls_over_at,
    true_total,
)

DAY = date(2026, 3, 2)


def test_reference_calculation_of_a_replaced_odometer() -> None:
    """Reference calculation: 148 320 → 9, reading 5 274 is 153 585; 40 985 since 112 600, not −107 326."""
    change = MeterChange(date(2026, 1, 22), "replaced", 148_320, 9)
    assert offsets([change], [DAY]).tolist() == [148_311]
    total = true_total(5_274, DAY, [change])
    assert total == 153_585
    assert total - true_total(112_600, date(2025, 5, 2), [change]) == 40_985


def test_reference_calculation_of_an_hour_meter_gone_round() -> None:
    """Reference calculation: 9 999.9 → 41.3 is 10 041.3 h."""
    assert true_total(41.3, DAY, [roll_over(date(2026, 2, 1), 10_000.0)]) == pytest.approx(10_041.3)


@pytest.mark.parametrize(
    ("last_old", "span"), [(9_999.9, 10_000), (10_000, 10_000), (9_200, 10_000), (99_999, 100_000), (0.5, 1)]
)
def test_a_meter_begins_again_when_every_wheel_stood_at_nine(last_old: float, span: float) -> None:
    # Common practice, no source.
    assert rolls_over_at(last_old) == span


def test_changes_add_up_in_the_order_of_their_days() -> None:
    first = MeterChange(date(2025, 1, 10), "replaced", 1_000, 50)
    second = MeterChange(date(2025, 6, 10), "rolled over", 10_000, 0)
    days = [date(2025, 1, 9), date(2025, 1, 10), date(2025, 6, 9), date(2025, 6, 10)]
    assert offsets([second, first], days).tolist() == [0, 950, 950, 10_950]


def test_impossible_changes_are_refused() -> None:
    for kind, last_old in (("swapped", 10.0), ("replaced", -1.0), ("replaced", float("nan"))):
        with pytest.raises(ReadingError):
            MeterChange(DAY, kind, last_old, 0)


def hours_meter(raw: float, rolls_over_at: float | None = None) -> object:
    accepted = [(DAY - timedelta(days=8), 5_143.2), (DAY - timedelta(days=1), 5_175.4)]
    return judge(raw, DAY, accepted, 0.0, 4.6, 9.0, rolls_over_at, "h")


def test_reference_calculation_of_a_lost_decimal_point() -> None:
    """Reference calculation: 51807 keyed a day after 5 175.4 is probably 5 180.7."""
    verdict = hours_meter(51_807)
    assert (verdict.status, verdict.code) == ("asked", "decimal_point")
    assert verdict.guess == pytest.approx(5_180.7)
    assert "5180.7" in verdict.sentence


def test_reference_calculation_of_km_read_on_a_mile_meter() -> None:
    """Reference calculation: 61 830 where 38 420 mi was expected is in km."""
    verdict = judge(61_830, DAY, [(DAY - timedelta(days=10), 38_110)], 0.0, 31.0, 80.0, None, "mi")
    assert (verdict.status, verdict.code) == ("asked", "km_or_miles")
    assert verdict.guess == pytest.approx(38_419.4, abs=0.05)


def test_miles_read_on_a_km_meter_and_a_lost_digit() -> None:
    accepted = [(DAY - timedelta(days=10), 98_500)]
    miles = judge(100_000 / 1.609344, DAY, accepted, 0.0, 150.0)
    assert (miles.code, miles.guess) == ("km_or_miles", pytest.approx(100_000))
    digit = judge(10_000, DAY, accepted, 0.0, 150.0)
    assert (digit.code, digit.guess) == ("decimal_point", pytest.approx(100_000))


def test_the_guess_is_in_the_meters_own_count_after_a_replacement() -> None:
    accepted = [(DAY - timedelta(days=1), 153_450)]
    verdict = judge(52_740, DAY, accepted, 148_311, 135.0)
    assert (verdict.code, verdict.guess) == ("decimal_point", pytest.approx(5_274))


def test_a_reading_within_ordinary_use_is_accepted_at_once() -> None:
    verdict = hours_meter(5_180.0)
    assert (verdict.status, verdict.code, verdict.guess, verdict.sentence) == ("accepted", "ok", None, "")
    assert judge(12, DAY, [], 0.0, None).code == "first"


def test_going_back_too_fast_and_past_a_later_reading_are_asked() -> None:
    assert hours_meter(5_170).code == "lower_than_last"
    assert hours_meter(5_175.4 + 3 * 9).status == "accepted"
    assert hours_meter(5_175.4 + 3 * 9 + 0.1).code == "too_fast"
    accepted = [(DAY - timedelta(days=9), 1_000.0), (DAY + timedelta(days=1), 1_040.0)]
    assert judge(1_036, DAY, accepted, 0.0, 4.0, 9.0).status == "accepted"
    assert judge(1_041, DAY, accepted, 0.0, 4.0, 9.0).code == "above_later"
    early = judge(1_001, DAY - timedelta(days=20), accepted, 0.0, 4.0, 9.0)
    assert early.code == "above_later"


def test_a_meter_gone_round_is_asked_as_such_only_where_it_can() -> None:
    accepted = [(DAY - timedelta(days=20), 9_970.0)]
    verdict = judge(41.3, DAY, accepted, 0.0, 4.0, 9.0, 10_000.0)
    assert (verdict.code, verdict.guess) == ("rolled_over", pytest.approx(10_041.3))
    assert judge(41.3, DAY, accepted, 0.0, 4.0, 9.0, None).code == "lower_than_last"


def test_without_a_known_rate_only_the_order_is_judged() -> None:
    accepted = [(DAY - timedelta(days=5), 1_000.0)]
    assert judge(9_999, DAY, accepted, 0.0, None).status == "accepted"
    assert judge(9_999, DAY, accepted, 0.0, float("nan")).status == "accepted"
    assert judge(990, DAY, accepted, 0.0, None).code == "lower_than_last"


def test_what_is_no_reading_is_refused() -> None:
    for raw in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ReadingError, match="Allowed: zero or more"):
            judge(raw, DAY, [], 0.0, None)


@given(
    days=st.integers(0, 400),
    last=st.floats(0, 400_000),
    busiest=st.one_of(st.floats(0, 900), st.just(np.nan)),
    typical_share=st.floats(0, 1),
    p99_share=st.floats(0, 1),
    ran=st.one_of(st.floats(-0.5, 4), st.floats(-1, 12).map(lambda times: (times, "of the total"))),
)
@example(days=1, last=160.0, busiest=40.0, typical_share=0.0, p99_share=1.0, ran=2.4)
@example(days=1, last=100.0, busiest=20.1, typical_share=0.5, p99_share=1.0, ran=3.0)
def test_what_is_surely_accepted_is_accepted_by_the_full_judgement(
    days, last, busiest, typical_share, p99_share, ran
) -> None:
    p99 = busiest * p99_share
    is_of_total = isinstance(ran, tuple)
    total = last + (ran[0] * last if is_of_total else ran * busiest * days if busiest >= 0 else ran)
    columns = (np.array([float(one)]) for one in (days, last, total, busiest, p99))
    if are_surely_accepted(*columns)[0]:
        day = date(2026, 3, 2)
        accepted = [(day - timedelta(days=days), last)]
        found = judge(total, day, accepted, 0.0, busiest * typical_share, p99)
        assert (found.status, found.code) == ("accepted", "ok")


def test_a_fast_day_of_a_vehicle_far_on_is_surely_accepted_and_one_that_may_be_a_slip_is_not() -> None:
    """By hand: 3 x 200 km/day x 1 day: up to 600 km on 100 000 are no slip; on 900 they may be km read as miles."""
    days, p99 = np.ones(5), np.full(5, 200.0)
    last = np.array([100_000.0, 100_000.0, 900.0, 900.0, 100_000.0])
    ran = np.array([500.0, 601.0, 500.0, 150.0, -1.0])
    found = are_surely_accepted(days, last, last + ran, p99, p99)
    assert found.tolist() == [True, False, False, True, False]
