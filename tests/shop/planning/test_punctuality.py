"""How punctual a supplier was. Ranges against scipy, percentiles against numpy, two values from a published table."""

from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import binomtest

from shop.planning.punctuality import (
    ENOUGH_ORDERS,
    PastOrder,
    percentile_seen,
    punctuality_of,
    wilson_interval,
)
from shop.planning.suppliers import BUFFER_DAYS, working_days_between, working_days_forward

MONDAY = date(2026, 3, 2)


def past(late_days: int | None, lead: int = 4, ordered_on: date = MONDAY) -> PastOrder:
    expected_on = working_days_forward(ordered_on, lead)
    return PastOrder(
        ordered_on, expected_on, None if late_days is None else expected_on + timedelta(days=late_days)
    )


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize(
    ("hits", "trials"), [(0, 1), (1, 1), (1, 4), (3, 4), (3, 120), (93, 100), (0, 50), (50, 50)]
)
def test_the_range_is_that_of_scipy(hits: int, trials: int, level: float) -> None:
    # scipy.stats.binomtest(...).proportion_ci(method="wilson"), E. B. Wilson, JASA 22 (1927).
    reference = binomtest(hits, trials).proportion_ci(confidence_level=level, method="wilson")
    assert wilson_interval(hits, trials, level) == pytest.approx((reference.low, reference.high), abs=1e-12)


@pytest.mark.parametrize(("hits", "trials", "low", "high"), [(3, 120, 0.012, 0.051), (1, 4, 0.078, 0.567)])
def test_few_orders_give_a_wide_range(hits: int, trials: int, low: float, high: float) -> None:
    # Worked by hand with z = 1.2816, the 90 % quantile of the normal distribution (any table).
    assert wilson_interval(hits, trials) == pytest.approx((low, high), abs=0.0005)


@pytest.mark.parametrize(("hits", "trials", "level"), [(1, 0, 0.8), (5, 4, 0.8), (-1, 4, 0.8), (1, 4, 1.0)])
def test_counts_that_cannot_be_are_refused(hits: int, trials: int, level: float) -> None:
    with pytest.raises(ValueError, match="Hits lie between"):
        wilson_interval(hits, trials, level)


@pytest.mark.parametrize("level", [0.2, 0.5, 0.8, 0.95, 1.0])
def test_a_percentile_is_one_of_the_values(level: float) -> None:
    values = [7, 1, 4, 4, 9, 2, 0, 3, 3, 12]
    # numpy's inverted_cdf is the nearest rank of Hyndman and Fan's first definition.
    assert percentile_seen(values, level) == np.quantile(values, level, method="inverted_cdf")


def test_working_days_are_counted_as_numpy_does() -> None:
    closed = [date(2026, 4, 6)]
    for step in range(40):
        last = date(2026, 3, 27) + timedelta(days=step)
        counted = np.busday_count(date(2026, 3, 28), last + timedelta(days=1), holidays=closed)
        assert working_days_between(date(2026, 3, 27), last, closed) == counted
    assert working_days_between(MONDAY, MONDAY) == 0
    assert working_days_between(MONDAY, MONDAY - timedelta(days=3)) == 0


def test_orders_are_summed_up() -> None:
    seen = punctuality_of([past(0), past(-1), past(0), past(3)])
    assert (seen.orders, seen.on_time, seen.on_time_share) == (4, 3, 0.75)
    assert (seen.low_share, seen.high_share) == wilson_interval(3, 4)
    # Ordered on Monday, expected on Friday: 4 working days, 3 of them, 4, and 5 to the Monday after.
    assert (seen.median_lead, seen.p80_lead) == (4.0, 5)


def test_what_never_came_whole_was_not_on_time_and_has_no_lead() -> None:
    seen = punctuality_of([past(0), past(None)])
    assert (seen.orders, seen.on_time, seen.median_lead) == (2, 1, 4.0)
    alone = punctuality_of([past(None)])
    assert (alone.on_time_share, alone.median_lead, alone.p80_lead) == (0.0, None, None)


def test_closed_days_make_no_lead() -> None:
    easter = PastOrder(date(2026, 4, 2), date(2026, 4, 8), date(2026, 4, 8), frozenset({date(2026, 4, 6)}))
    assert easter.lead_working_days == 3
    assert easter.is_on_time


def test_the_margin_is_the_house_default_until_enough_orders_have_come() -> None:
    late = [past(0)] * (ENOUGH_ORDERS - 3) + [past(10), past(11)]
    assert len(late) == ENOUGH_ORDERS - 1
    few = punctuality_of(late)
    assert (few.margin_days, few.is_margin_learned) == (BUFFER_DAYS, False)
    enough = punctuality_of([*late, past(0)])
    # 20 orders, 2 of them late by 10 and 11 days: the 19th smallest is 10.
    assert (enough.margin_days, enough.is_margin_learned) == (10, True)
    # What never came says nothing about days late.
    assert not punctuality_of([*late, past(None)]).is_margin_learned


def test_no_orders_cannot_say() -> None:
    nothing = punctuality_of([])
    assert nothing.on_time_share is nothing.low_share is nothing.median_lead is nothing.p80_lead is None
    assert (nothing.orders, nothing.margin_days) == (0, BUFFER_DAYS)
