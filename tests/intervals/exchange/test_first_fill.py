import math

import pytest

from intervals.errors import QuantityError
from intervals.exchange.first_fill import (
    ErrorSource,
    combined_u,
    corrected_out_l,
    first_fill_l,
    needed_l,
    overfill_probability,
    risk_from_costs,
    top_up_l,
    z_for_risk,
)
from intervals.exchange.volumes import volume_at

BUDGET = (
    ErrorSource("tray", 0.05 * 6.1),
    ErrorSource("jug", 0.03 * 4.0),
    ErrorSource("jug temperature", volume_at(4.0, 70, 75) - 4.0),
    ErrorSource("packs", 0.015 * 10.0),
    ErrorSource("level on arrival", 5 * 25 / 1000),
)


# Reference calculation.
def test_budget_of_the_worked_job():
    parts = [source.standard_l for source in BUDGET]
    assert parts == pytest.approx([0.176, 0.069, 0.009, 0.087, 0.072], abs=6e-4)
    assert combined_u(BUDGET) == pytest.approx(0.220, abs=6e-4)


# ISO/IEC Guide 98-3, annex H.1 (end gauge): contributions 25, 9.7, 2.9 and 16.7 nm combine to 32 nm.
def test_uncorrelated_parts_add_as_squares_like_the_end_gauge():
    parts = [ErrorSource(str(u), u * math.sqrt(3)) for u in (25.0, 9.7, 2.9, 16.7)]
    assert combined_u(parts) == pytest.approx(32.0, abs=0.5)


# ISO/IEC Guide 98-3, 5.2.2 note: ten resistors compared with one standard, all errors together: 10 x 0.1 = 1 ohm.
# (example from memory)
def test_errors_of_one_filler_add_straight():
    together = [ErrorSource(str(i), 0.1 * math.sqrt(3), "same standard") for i in range(10)]
    apart = [ErrorSource(str(i), 0.1 * math.sqrt(3)) for i in range(10)]
    assert combined_u(together) == pytest.approx(1.0)
    assert combined_u(apart) == pytest.approx(0.32, abs=0.005)


# Reference calculation.
def test_first_fill_of_the_worked_job():
    out = corrected_out_l(6.1, 4.0, 70)
    need = needed_l(out, -4.0, 25.0)
    assert (out, need) == pytest.approx((9.950, 10.050), abs=6e-4)
    fill = first_fill_l(need, 0.2204)
    assert fill.guard_l == pytest.approx(0.363, abs=6e-4)
    assert fill.first_fill_l == pytest.approx(9.69, abs=0.005)
    assert first_fill_l(need, 0.2204, 0.10).first_fill_l == pytest.approx(9.77, abs=0.005)
    assert first_fill_l(need, 0.094).guard_l == pytest.approx(0.155, abs=6e-4)


# Reference calculation.
def test_the_price_of_either_mistake_sets_the_risk():
    risk = risk_from_costs(4, 14)
    assert risk == pytest.approx(0.222, abs=6e-4)
    assert z_for_risk(risk) == pytest.approx(0.765, abs=6e-4)
    fill = first_fill_l(10.05, 0.2204, risk)
    assert fill.guard_l == pytest.approx(0.169, abs=6e-4)
    assert fill.first_fill_l == pytest.approx(9.88, abs=0.005)


# Reference calculation: the uncorrected sum is poured.
def test_pouring_what_was_read_overfills_three_times_in_four():
    assert overfill_probability(10.2, 10.05, 0.2204) == pytest.approx(0.752, abs=1e-3)
    assert overfill_probability(10.2, 10.05, 0.2204, 0.1) == pytest.approx(0.590, abs=1e-3)


# JCGM 106:2012, 7.4: y 13.6, u 1.8, upper limit 16.3 -> probability above it 0.0668.
def test_overfill_probability_is_the_one_sided_conformance_probability():
    assert overfill_probability(13.6, 16.3, 1.8) == pytest.approx(0.066807, abs=1e-6)


def test_the_guard_gives_way_to_the_cold_mark_and_to_the_start_check():
    assert first_fill_l(10.05, 0.22, band_l=0.3).guard_l == pytest.approx(0.24)
    assert first_fill_l(10.05, 0.22, band_l=0.3).limited_by == "cold mark"
    tight = first_fill_l(4.0, 0.22, least_l=3.8)
    assert tight.first_fill_l == pytest.approx(3.8)
    assert tight.limited_by == "start check"
    assert first_fill_l(3.7, 0.22, least_l=3.8).guard_l == 0.0


def test_a_standpipe_needs_no_guard():
    fill = first_fill_l(3.7, 0.2, is_standpipe=True)
    assert (fill.first_fill_l, fill.guard_l) == pytest.approx((4.0, 0.0))


# Reference calculation: 0.36 L short on the hot stick is poured as 0.20 and then 0.13.
def test_top_ups_are_small_and_stop_short():
    assert top_up_l(0.36) == pytest.approx(0.20)
    assert top_up_l(0.16) == pytest.approx(0.13, abs=0.003)
    assert top_up_l(-0.1) == 0.0


def test_missing_figures_are_refused():
    with pytest.raises(QuantityError, match="tray"):
        combined_u([ErrorSource("tray", math.nan)])
    with pytest.raises(QuantityError, match="risk"):
        first_fill_l(10.0, 0.2, 1.0)
    with pytest.raises(QuantityError, match="known"):
        first_fill_l(math.nan, 0.2)
    with pytest.raises(QuantityError, match="spread"):
        overfill_probability(10.0, 10.0, 0.0)
    with pytest.raises(QuantityError, match="price"):
        risk_from_costs(0.0, 14.0)
