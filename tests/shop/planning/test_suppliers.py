"""Working days and deliveries, against numpy's business-day calendar and reference dates."""

import random
from datetime import date, time, timedelta

import numpy as np
import pytest

from shop.planning.suppliers import (
    Supplier,
    arrives_on,
    horizon_days,
    latest_order_day,
    working_days_back,
    working_days_forward,
)

MONDAY = date(2026, 3, 2)
EASTER_MONDAY = date(2026, 4, 6)
BRINNOCK = Supplier("Brinnock Oils", 4, time(14), frozenset({EASTER_MONDAY}))


def test_working_days_agree_with_numpy_busday_offset():
    # Outside check: numpy.busday_offset with holidays, from working and free days alike.
    draw = random.Random(3)
    for _ in range(300):
        day = MONDAY + timedelta(days=draw.randint(0, 400))
        closed = {day + timedelta(days=draw.randint(-20, 20)) for _ in range(4)}
        n = draw.randint(1, 15)
        holidays = np.array(sorted(closed), dtype="datetime64[D]")
        ahead = np.busday_offset(np.datetime64(day), n, roll="backward", holidays=holidays)
        behind = np.busday_offset(np.datetime64(day), -n, roll="forward", holidays=holidays)
        assert working_days_forward(day, n, closed) == ahead.astype(date)
        assert working_days_back(day, n, closed) == behind.astype(date)


def test_four_days_lead_for_a_friday_is_ordered_the_friday_before():
    # Reference calculation: needed Fri 13 March 2026, lead 4.
    assert latest_order_day(date(2026, 3, 13), BRINNOCK) == date(2026, 3, 6)


def test_a_holiday_moves_the_latest_day_back_and_the_delivery_on():
    assert latest_order_day(date(2026, 4, 10), BRINNOCK) == date(2026, 4, 2)
    assert arrives_on(date(2026, 4, 2), time(9), BRINNOCK) == date(2026, 4, 9)


@pytest.mark.parametrize(
    ("day", "clock", "arrives"),
    [
        (MONDAY, time(9), date(2026, 3, 6)),
        (MONDAY, time(13, 59), date(2026, 3, 6)),
        (MONDAY, time(14), date(2026, 3, 9)),
        (date(2026, 3, 7), time(9), date(2026, 3, 13)),
    ],
)
def test_the_cut_off_and_the_weekend_cost_a_working_day(day, clock, arrives):
    assert arrives_on(day, clock, BRINNOCK) == arrives


def test_the_latest_order_day_is_the_last_that_still_arrives_the_working_day_before():
    for weekdays in (frozenset(range(5)), frozenset({1}), frozenset({0, 3})):
        for lead in (0, 1, 4, 15):
            supplier = Supplier("S", lead, time(11), BRINNOCK.closed_days, delivery_weekdays=weekdays)
            for offset in range(45):
                needed_on = MONDAY + timedelta(days=offset)
                latest = latest_order_day(needed_on, supplier)
                after = working_days_forward(latest, 1, supplier.closed_days)
                assert arrives_on(latest, time(8), supplier) < needed_on
                assert arrives_on(after, time(8), supplier) >= needed_on


def test_horizon_is_lead_over_a_weekend_plus_review_plus_buffer():
    # Four working days run over a weekend on most starts: 6 calendar days; with 14 and 7 that is 27.
    assert horizon_days(4, MONDAY) == 27
    assert {horizon_days(4, MONDAY + timedelta(days=k)) for k in range(7)} == {27}
    assert horizon_days(4, date(2026, 3, 30), {EASTER_MONDAY}) == 28
    assert horizon_days(0, MONDAY, review_days=7, buffer_days=0) == 7


def test_suppliers_and_counts_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="lead"):
        Supplier("S", -1, time(12))
    with pytest.raises(ValueError, match="delivery day"):
        Supplier("S", 1, time(12), delivery_weekdays=frozenset({6}))
    with pytest.raises(ValueError, match="counted from 0"):
        working_days_back(MONDAY, -1)
    with pytest.raises(ValueError, match="Review"):
        horizon_days(4, MONDAY, review_days=-1)
