import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange.acceptance import (
    acceptance_limits,
    conformance_probability,
    expected_cost,
    guard_band,
    pack_error_sources,
    tolerable_negative_error_l,
)
from intervals.exchange.first_fill import overfill_probability, risk_from_costs, z_for_risk


# JCGM 106:2012, 7.4: y 13.6, u 1.8, tolerance 12.5 to 16.3 -> 0.66.
def test_conformance_probability_of_the_guides_example():
    assert conformance_probability(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.662630, abs=1e-6)
    assert conformance_probability(13.6, 1.8, upper=16.3) == pytest.approx(0.933193, abs=1e-6)
    assert conformance_probability(13.6, 1.8, lower=12.5) == pytest.approx(1.0 - 0.270563, abs=1e-6)


# JCGM 106:2012, 7.3: one-sided; the overfill probability is the other side of the same sum.
def test_overfill_and_conformance_add_up_to_one():
    assert conformance_probability(9.9, 0.22, upper=10.05) + overfill_probability(
        9.9, 10.05, 0.22
    ) == pytest.approx(1)


# JCGM 106:2012, 8.3.2: w = 2 u leaves 2.3 % at most; standard normal quantiles for 5, 2.5 and 1 %.
def test_guard_bands_keep_the_named_risk():
    for risk, z in ((0.05, 1.644854), (0.025, 1.959964), (0.01, 2.326348)):
        assert guard_band(1.8, risk) == pytest.approx(1.8 * z, abs=1e-5)
    assert guard_band(1.0, 0.02275) == pytest.approx(2.0, abs=1e-4)
    assert guard_band(1.8, 0.5) == pytest.approx(0.0, abs=1e-12)


def test_acceptance_limits_lie_a_guard_inside():
    upper = acceptance_limits(1.8, upper=16.3)
    assert upper.upper == pytest.approx(13.339264, abs=1e-5)
    assert upper.lower is None
    both = acceptance_limits(0.5, 12.5, 16.3)
    assert (both.lower, both.upper) == pytest.approx((13.3224, 15.4776), abs=1e-4)


def test_a_spread_too_wide_for_the_tolerance_accepts_nothing_and_says_why():
    none = acceptance_limits(1.8, 12.5, 16.3)
    assert (none.lower, none.upper) == (None, None)
    assert none.reason is not None
    assert "measure better" in none.reason


@given(st.floats(0.01, 3.0), st.floats(0.001, 0.5), st.floats(0.0, 20.0), st.floats(0.1, 20.0))
def test_a_reading_on_the_acceptance_limit_is_wrong_with_the_named_risk(u, risk, lower, width):
    limits = acceptance_limits(u, lower, lower + width, risk)
    if limits.reason is None:
        assert 1.0 - conformance_probability(limits.upper, u, upper=lower + width) == pytest.approx(
            risk, abs=1e-9
        )
        assert 1.0 - conformance_probability(limits.lower, u, lower=lower) == pytest.approx(risk, abs=1e-9)
        assert conformance_probability(lower + width / 2, u, lower, lower + width) >= 1.0 - 2.0 * risk - 1e-9
    else:
        assert width < 2.0 * limits.guard


# Snyder & Shen, Fundamentals of Supply Chain Theory, example 4.3 (values from the library that goes with the book):
# holding 0.18, short 0.70, need N(50, 8) -> order 56.604, expected cost 1.99760.
def test_the_cheapest_risk_is_the_single_period_orders():
    risk_over = risk_from_costs(0.70, 0.18)
    poured = 50.0 - 8.0 * z_for_risk(risk_over)
    assert poured == pytest.approx(56.60395592743389)
    assert expected_cost(poured, 50.0, 8.0, 0.70, 0.18) == pytest.approx(1.9976051931766445)


@given(st.floats(0.5, 50.0), st.floats(0.5, 50.0), st.floats(-1.5, 1.5), st.floats(0.01, 1.0))
def test_no_other_first_fill_is_cheaper(cost_short, cost_over, off, u_l):
    best = 10.0 - u_l * z_for_risk(risk_from_costs(cost_short, cost_over))
    cheapest = expected_cost(best, 10.0, u_l, cost_short, cost_over)
    assert cheapest <= expected_cost(best + off, 10.0, u_l, cost_short, cost_over) + 1e-9
    assert cheapest >= 0.0


# Council Directive 76/211/EEC, annex I, 2.4; the last three rows OIML R 87 (from memory).
@pytest.mark.parametrize(
    ("nominal_ml", "error_ml"),
    [
        (5, 0.45), (40, 3.6), (50, 4.5), (75, 4.5), (100, 4.5), (150, 6.75), (200, 9.0), (250, 9.0), (300, 9.0),
        (400, 12.0), (500, 15.0), (750, 15.0), (1000, 15.0), (4000, 60.0), (5000, 75.0), (10_000, 150.0),
        (12_000, 150.0), (20_000, 200.0), (50_000, 500.0),
    ],
)  # fmt: skip
def test_tolerable_negative_errors_are_those_of_the_directive(nominal_ml, error_ml):
    assert 1000.0 * tolerable_negative_error_l(nominal_ml / 1000.0) == pytest.approx(error_ml)


@given(st.floats(0.005, 50.0), st.floats(0.0, 10.0))
def test_a_larger_pack_is_never_allowed_a_smaller_error(nominal_l, more_l):
    larger_l = min(50.0, nominal_l + more_l)
    assert tolerable_negative_error_l(larger_l) >= tolerable_negative_error_l(nominal_l) - 1e-12
    assert tolerable_negative_error_l(nominal_l) <= 0.09 * nominal_l + 1e-12


@pytest.mark.parametrize("nominal_l", [0.004, 60.0, 208.0, math.nan, math.inf, -5.0])
def test_contents_the_rule_does_not_cover_are_refused(nominal_l):
    with pytest.raises(QuantityError, match=r"covers 0\.005 to 50 L"):
        pack_error_sources([nominal_l])


def test_unusable_readings_spreads_and_prices_are_refused():
    with pytest.raises(QuantityError, match="spread"):
        conformance_probability(10.0, 0.0, upper=11.0)
    with pytest.raises(QuantityError, match="reading is not a number"):
        conformance_probability(math.nan, 0.1, upper=11.0)
    with pytest.raises(QuantityError, match="at least one tolerance"):
        acceptance_limits(0.1)
    with pytest.raises(QuantityError, match="must lie below"):
        acceptance_limits(0.1, 12.0, 11.0)
    with pytest.raises(QuantityError, match="risk"):
        guard_band(0.1, 0.0)
    with pytest.raises(QuantityError, match="must both be known"):
        expected_cost(math.nan, 10.0, 0.1, 4.0, 14.0)
    with pytest.raises(QuantityError, match="above zero"):
        expected_cost(9.9, 10.0, 0.1, 0.0, 14.0)
