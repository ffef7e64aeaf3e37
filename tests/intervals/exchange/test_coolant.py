import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from intervals.errors import QuantityError
from intervals.exchange.coolant import CAUTIONS, DRAIN_MORE, concentrate_spread, strength_after, strength_mix
from intervals.exchange.propagation import Input, Uncertainty


# Reference calculation: 26 L system, 17 L out, 32 % to 50 %.
def test_concentrate_and_water_of_the_worked_system():
    mix = strength_mix(26.0, 17.0, 0.32, 0.50)
    assert (mix.concentrate_l, mix.water_l) == pytest.approx((10.12, 6.88), abs=0.005)
    assert mix.reason is None
    assert "10.12 L of concentrate and 6.88 L of water" in mix.sentence


# Reference calculation: the same drain filled with half-and-half.
def test_filling_with_the_wanted_strength_does_not_reach_it():
    assert strength_after(26.0, 17.0, 0.32, 0.50) == pytest.approx(0.438, abs=5e-4)


# Handbook rule for adjusting antifreeze (from memory): litres to swap for concentrate = V (target - old) / (1 - old).
def test_too_small_a_drain_says_how_much_must_come_out():
    mix = strength_mix(26.0, 5.0, 0.32, 0.50)
    assert (mix.concentrate_l, mix.water_l, mix.reason) == (None, None, DRAIN_MORE)
    assert mix.least_drain_l == pytest.approx(26.0 * 0.18 / 0.68)
    assert mix.strength_share == pytest.approx((21.0 * 0.32 + 5.0) / 26.0)
    assert "Drain more: 6.88 L" in mix.sentence


def test_the_least_drain_is_filled_with_concentrate_alone():
    least_l = strength_mix(26.0, 5.0, 0.32, 0.50).least_drain_l
    mix = strength_mix(26.0, least_l, 0.32, 0.50)
    assert (mix.concentrate_l, mix.water_l) == pytest.approx((least_l, 0.0), abs=1e-9)


def test_too_strong_a_system_is_thinned_with_water():
    short = strength_mix(20.0, 2.0, 0.70, 0.50)
    assert (short.reason, short.least_drain_l) == (DRAIN_MORE, pytest.approx(20.0 * 2 / 7))
    assert short.strength_share == pytest.approx(0.63)
    enough = strength_mix(20.0, short.least_drain_l, 0.70, 0.50)
    assert enough.concentrate_l == pytest.approx(0.0, abs=1e-9)
    assert enough.water_l == pytest.approx(short.least_drain_l)


def test_a_system_already_right_needs_no_drain():
    mix = strength_mix(20.0, 0.0, 0.5, 0.5)
    assert (mix.concentrate_l, mix.water_l, mix.reason) == (0.0, 0.0, None)


# ASTM D3306: ethylene-glycol concentrate is used at 40 to 70 % by volume.
def test_a_strength_outside_the_usual_range_says_so():
    for target, is_unusual in ((0.39, True), (0.40, False), (0.70, False), (0.75, True)):
        mix = strength_mix(20.0, 20.0, 0.0, target)
        assert mix.is_unusual is is_unusual
        assert ("maker's data" in mix.sentence) is is_unusual


@given(
    st.floats(1.0, 100.0), st.floats(0.0, 1.0), st.floats(0.0, 0.7), st.floats(0.0, 0.9), st.floats(0.91, 1.0)
)  # fmt: skip
def test_what_is_poured_fits_the_drain_and_gives_the_strength(total_l, drain_share, old, target, concentrate):
    drained_l = drain_share * total_l
    mix = strength_mix(total_l, drained_l, old, target, concentrate)
    if mix.reason is None:
        assert mix.concentrate_l >= 0.0
        assert mix.water_l >= 0.0
        assert mix.concentrate_l + mix.water_l == pytest.approx(drained_l)
        glycol_l = (total_l - drained_l) * old + mix.concentrate_l * concentrate
        assert glycol_l / total_l == pytest.approx(target, abs=1e-8)
    else:
        assert drained_l < mix.least_drain_l <= total_l * (1 + 1e-12)
        assert abs(mix.strength_share - target) <= abs(old - target) + 1e-12
        assert strength_mix(total_l, min(total_l, mix.least_drain_l), old, target, concentrate).reason is None


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((0.0, 0.0, 0.3, 0.5), "above zero"),
        ((math.nan, 5.0, 0.3, 0.5), "above zero"),
        ((26.0, 27.0, 0.3, 0.5), "outside zero to the system volume"),
        ((26.0, math.nan, 0.3, 0.5), "outside zero to the system volume"),
        ((26.0, 17.0, 32.0, 0.5), "50 % is 0.5"),
        ((26.0, 17.0, 0.3, math.nan), "50 % is 0.5"),
        ((26.0, 17.0, 0.3, 0.5, 0.4), "cannot bring"),
        ((26.0, 17.0, 0.3, 0.5, 1.5), "50 % is 0.5"),
    ],
)
def test_unusable_figures_are_refused_with_one_sentence(figures, words):
    with pytest.raises(QuantityError, match=words):
        strength_mix(*figures)


def test_cautions_name_heat_and_poison_and_defer_to_the_maker():
    text = " ".join(CAUTIONS)
    for word in ("hot cooling system", "poisonous", "maker"):
        assert word in text


# Reference library: `uncertainties`, x = V c_target - (V - D) c_found with V and D within 5 %, strength within 2 %.
@pytest.mark.parametrize(
    ("found", "target", "product"), [(0.32, 0.5, 1.0), (0.45, 0.5, 0.7), (0.6, 0.5, 1.0)]
)
def test_the_litres_of_concentrate_are_as_sure_as_system_drain_and_strength(found, target, product):
    root3 = math.sqrt(3.0)
    inputs = (
        Input("system", 26.0, Uncertainty(1.3), 0.0),
        Input("drain", 17.0, Uncertainty(0.85), 0.0),
    )
    got = concentrate_spread(*inputs, found, target, product)
    v, d, c = ufloat(26.0, 1.3 / root3), ufloat(17.0, 0.85 / root3), ufloat(found, 0.02 / root3)
    reference = (v * target - (v - d) * c) / product
    assert got.value == pytest.approx(reference.n)
    assert got.value == pytest.approx(strength_mix(26.0, 17.0, found, target, product).concentrate_l)
    assert got.sd == pytest.approx(reference.s, rel=1e-6)
    assert (got.low, got.high) == pytest.approx(
        (reference.n - 1.96 * reference.s, reference.n + 1.96 * reference.s), abs=1e-3
    )
