import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange.drain import (
    DrainCurve,
    drained_l,
    fit_drain_curve,
    kinematic_viscosity,
    minutes_at_60c,
    stop_waiting_min,
)

CURVE = DrainCurve(3.3, 2.8)
MINUTES = (5, 10, 30, 60, 120, 240, 480, 960, 1440, 3720)


# ASTM D341; points computed from the published equation for two oils (equation from memory).
@pytest.mark.parametrize(
    ("kv40", "kv100", "points"),
    [
        (30.0, 6.0, {20: 71.01, 60: 15.455, 80: 9.156, 90: 7.333}),
        (35.0, 7.2, {20: 80.29, 60: 18.331, 80: 10.949}),
        (34.0, 7.2, {0: 221.4, 10: 125.4, 20: 76.5, 60: 18.0, 70: 13.8, 80: 10.9}),
    ],
)
def test_viscosity_follows_the_walther_line(kv40, kv100, points):
    for temp_c, value in points.items():
        assert kinematic_viscosity(temp_c, kv40, kv100) == pytest.approx(value, rel=0.005)
    assert kinematic_viscosity(40.0, kv40, kv100) == pytest.approx(kv40)
    assert kinematic_viscosity(100.0, kv40, kv100) == pytest.approx(kv100)


# Reference calculation, litres ± 0.02.
@pytest.mark.parametrize(
    ("start_c", "shed_c", "litres"),
    [
        (70, 18, (3.23, 3.62, 4.15, 4.64, 5.14, 5.54, 5.82, 6.01, 6.07, 6.10)),
        (40, 18, (2.22, 3.03, 3.69, 4.01, 4.44, 4.95, 5.47, 5.89, 6.03, 6.10)),
        (18, 18, (1.18, 1.97, 3.23, 3.64, 3.97, 4.47, 5.15, 5.78, 5.99, 6.10)),
        (70, 2, (3.22, 3.62, 4.13, 4.57, 5.00, 5.32, 5.55, 5.76, 5.89, 6.08)),
        (5, 2, (0.66, 1.20, 2.49, 3.22, 3.62, 3.93, 4.38, 5.02, 5.42, 6.03)),
    ],
)
def test_litres_out_against_time_and_temperature(start_c, shed_c, litres):
    got = [drained_l(m, start_c, shed_c, CURVE) for m in MINUTES]
    assert got == pytest.approx(litres, abs=0.02)


# Common practice, no source: about 3 L leave an automatic box's sump at once and nearly 5 L after a day.
def test_a_curve_fitted_to_common_practice_passes_through_it():
    curve = fit_drain_curve(3.0, 4.9)
    assert drained_l(10, 70, 18, curve) == pytest.approx(3.0, abs=1e-6)
    assert drained_l(1440, 70, 18, curve) == pytest.approx(4.9, abs=1e-6)
    assert 3.0 < drained_l(60, 70, 18, curve) < 4.9


# Reference calculation: the fitted parts of 3.6 L quick and 6.1 L overnight round to 3.3 and 2.8.
def test_fit_finds_the_two_parts_of_the_reference_unit():
    curve = fit_drain_curve(3.6, 6.1)
    assert (curve.quick_l, curve.slow_l) == pytest.approx((3.3, 2.8), abs=0.07)


# Reference calculation.
def test_an_odd_observation_is_normalised_through_minutes_at_60_degrees():
    assert minutes_at_60c(38, 55, 15) == pytest.approx(28.6, abs=0.05)
    assert drained_l(38, 55, 15, CURVE) == pytest.approx(4.03, abs=0.01)


def test_expected_litres_at_the_hour_of_return():
    assert drained_l(16 * 60, 70, 18, CURVE) == pytest.approx(6.01, abs=0.005)  # reference calculation


def test_waiting_stops_when_an_hour_brings_less_than_a_tenth_of_a_litre():
    assert stop_waiting_min(70, 18, CURVE) == 300.0  # reference calculation
    cold = stop_waiting_min(5, 2, CURVE)
    assert cold is not None
    assert cold > 300.0
    assert stop_waiting_min(5, -45, CURVE, worth_l_per_h=0.0) is None


def test_theta_is_plain_time_at_60_degrees():
    assert minutes_at_60c(30, 60, 60) == pytest.approx(30.0)
    assert minutes_at_60c(10_000, 60, 60) == pytest.approx(10_000.0)


def test_theta_agrees_with_a_fine_trapezium():
    steps, minutes = 20_000, 1500.0
    times = [minutes * i / steps for i in range(steps + 1)]
    rates = [
        kinematic_viscosity(60) / kinematic_viscosity(18 + 52 * math.exp(-t / 150.0))
        for t in times[:: steps // 2000]
    ]
    h = minutes / 2000
    trapezium = h * (sum(rates) - 0.5 * (rates[0] + rates[-1]))
    assert minutes_at_60c(minutes, 70, 18) == pytest.approx(trapezium, rel=1e-4)


@given(st.floats(0, 5000), st.floats(0, 2000), st.floats(-20, 110), st.floats(-20, 40))
def test_more_time_never_drains_less_and_never_more_than_both_parts(minutes, more, start_c, shed_c):
    first = drained_l(minutes, start_c, shed_c, CURVE)
    later = drained_l(minutes + more, start_c, shed_c, CURVE)
    assert 0.0 <= first <= later + 1e-9 <= 6.1 + 2e-9


def test_a_box_that_empties_at_once_has_no_slow_part():
    assert fit_drain_curve(2.3, 2.3).slow_l == 0.0


def test_contradicting_figures_are_refused():
    with pytest.raises(QuantityError, match="contradict"):
        fit_drain_curve(6.1, 3.6)
    with pytest.raises(QuantityError, match="one oil"):
        kinematic_viscosity(20.0, 7.2, 34.0)
    with pytest.raises(QuantityError, match="measure again"):
        kinematic_viscosity(200.0)
    with pytest.raises(QuantityError, match="draining time"):
        minutes_at_60c(math.nan, 70, 18)
