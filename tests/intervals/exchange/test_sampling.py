"""Laboratory samples: the share they show with its spread, and the mixing number out of it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, stats
from uncertainties import ufloat

from intervals.errors import QuantityError
from intervals.exchange import one_number_share
from intervals.exchange.learning import Observed, learn
from intervals.exchange.sampling import (
    MIXING_BELIEF,
    Contents,
    SampledShare,
    check_sampled,
    mixing_from_sample,
    share_from_sample,
)

LITRES = (6.1, 4.0, 11.2)


def test_a_sample_gives_share_and_mixing():
    # Reference calculation: Ca 110 old, 260 new, 225 after; 6.1 + 4.0 L of 11.2 give 0.767 and m 0.613.
    sampled = share_from_sample(Contents(110, 260, 225))
    found = mixing_from_sample(sampled, *LITRES)
    assert (round(sampled.share, 3), round(found.mixing, 3)) == (0.767, 0.613)


def test_its_spread_is_that_of_the_reference_library():
    # Independent: the `uncertainties` library propagates the three contents by automatic differentiation.
    old, new, after = (ufloat(value, 0.02 * value) for value in (110, 260, 225))
    share = (after - old) / (new - old)
    sampled = share_from_sample(Contents(110, 260, 225))
    assert (sampled.share, sampled.sd) == (pytest.approx(share.n), pytest.approx(share.s))


def test_its_spread_is_that_of_many_random_laboratories():
    # Independent: Monte Carlo, JCGM 101.
    rng = np.random.default_rng(5)
    old, new, after = (rng.normal(value, 0.02 * value, 200_000) for value in (110, 260, 225))
    assert share_from_sample(Contents(110, 260, 225)).sd == pytest.approx(
        np.std((after - old) / (new - old)), rel=0.02
    )


def test_an_element_that_falls_serves_as_well():
    rising = mixing_from_sample(share_from_sample(Contents(110, 260, 225)), *LITRES)
    falling = mixing_from_sample(share_from_sample(Contents(260, 110, 145)), *LITRES)
    assert falling.mixing == pytest.approx(rising.mixing)


@given(st.floats(0.0, 1.0), st.floats(1, 6), st.floats(0.5, 10))
def test_mixing_is_the_root_a_solver_finds(mixing, drained, pushed):
    share = one_number_share(drained, pushed, 11.2, mixing)
    found = mixing_from_sample(SampledShare(share, 0.02), drained, pushed, 11.2)
    assert one_number_share(drained, pushed, 11.2, found.mixing) == pytest.approx(share, abs=1e-9)
    if 0.01 < mixing < 0.99:
        root = optimize.brentq(lambda m: one_number_share(drained, pushed, 11.2, m) - share, 0, 1, xtol=1e-13)
        assert found.mixing == pytest.approx(root, abs=1e-6)
        by_m = one_number_share(drained, pushed, 11.2, 0.2) - one_number_share(drained, pushed, 11.2, 0.3)
        assert found.sd == pytest.approx(0.1 * 0.02 / by_m, rel=1e-6)


def test_three_samples_settle_how_a_unit_mixes():
    # Common practice, no source: three samples fix a unit model's mixing number. Independent: the guess of 0.4 to 0.8
    # as a normal of the same spread, times three measurements, integrated numerically by scipy.
    seen = (0.42, 0.47, 0.40)

    def density(m: float) -> float:
        return math.prod(
            (stats.norm.pdf(m, 0.6, 0.2 / 3**0.5), *(stats.norm.pdf(one, m, 0.1) for one in seen))
        )

    def moment(power: int) -> float:
        return integrate.quad(lambda m: m**power * density(m), -1, 2, points=[0.45])[0]

    mean = moment(1) / moment(0)
    learned = learn(MIXING_BELIEF, [Observed(m, 0.1) for m in seen])
    assert (learned.n, learned.mean) == (3, pytest.approx(mean, rel=1e-6))
    assert learned.sd == pytest.approx(math.sqrt(moment(2) / moment(0) - mean**2), rel=1e-5)
    assert learned.sd < MIXING_BELIEF.most_sd


@pytest.mark.parametrize(
    ("contents", "words"),
    [
        ((220, 260, 240), "differ by less than 20 %"),
        ((0, 0, 0), "differ by less than 20 %"),
        ((110, 260, 280), "outside 0 to 1"),
        ((110, 260, 100), "outside 0 to 1"),
        ((110, 260, 200), "reference samples"),
        ((110, 260, 255), "reference samples"),
        ((110, 260, float("nan")), "mg/kg"),
        ((110, 260, 225, 0.0), "spread of a content"),
    ],
)
def test_a_sample_that_cannot_be_right_is_refused(contents, words):
    with pytest.raises(QuantityError, match=words):
        mixing_from_sample(share_from_sample(Contents(*contents)), *LITRES)


def test_a_drain_leaves_one_share_only():
    # Mass balance: 3.6 of 11.2 L leave 0.3214, whatever the mixing.
    check_sampled(SampledShare(0.33, 0.03), 3.6, 0.0, 11.2)
    with pytest.raises(QuantityError, match=r"0\.321 ± 0\.060"):
        check_sampled(SampledShare(0.45, 0.03), 3.6, 0.0, 11.2)
    with pytest.raises(QuantityError, match="nothing about mixing"):
        mixing_from_sample(SampledShare(0.33, 0.03), 3.6, 0.0, 11.2)
    with pytest.raises(QuantityError, match="outside zero to the total fill"):
        check_sampled(SampledShare(0.33, 0.03), 16.1, 4.0, 11.2)
    assert math.isclose(3.6 / 11.2, one_number_share(3.6, 0.0, 11.2))
