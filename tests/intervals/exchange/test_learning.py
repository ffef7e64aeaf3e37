"""Learning: book figures pulled by jobs, odd ones set aside, mixing out of a sample."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from intervals.errors import QuantityError
from intervals.exchange import drained_l, fit_drain_curve, one_number_share, volume_at
from intervals.exchange.learning import (
    FAR_BELOW,
    FAR_OFF,
    LEARNED_AT_C,
    NORMAL_MAD,
    Learned,
    drain_spread,
    mixing_from_sample,
    ml_per_mm_from,
    normalise_drain,
    reading_error_from,
    reading_error_share,
    set_aside,
    shrink,
)

CURVE = fit_drain_curve(3.6, 6.1)
JOBS = [3.92, 3.87, 4.01, 2.90]


def test_a_leaking_box_does_not_teach_the_others():
    # Reference calculation: 3.924 ± 0.068; the plain mean of the four, 3.675, is wrong.
    learned = shrink(3.6, 0.4, JOBS, 0.12)
    assert (round(learned.mean, 3), round(learned.sd, 3), learned.n) == (3.924, 0.068, 3)
    assert [(one.place, one.value, one.reason) for one in learned.set_aside] == [(3, 2.90, FAR_BELOW)]
    assert np.mean(JOBS) == pytest.approx(3.675)


def test_the_mean_is_that_of_the_textbook():
    # Bolstad, Introduction to Bayesian Statistics, chapter 11, lengths of trout (from memory): prior N(30, 4²),
    # twelve fish with mean 32 and known sd 2 give 31.96 with sd 0.5714.
    fish = [
        32 + step for step in (-2.75, -2.25, -1.75, -1.25, -0.75, -0.25, 0.25, 0.75, 1.25, 1.75, 2.25, 2.75)
    ]
    learned = shrink(30.0, 4.0, fish, 2.0, low_by=None)
    assert learned.n == 12
    assert learned.mean == pytest.approx(31.96, abs=0.005)
    assert learned.sd == pytest.approx(0.5714, abs=5e-5)


@pytest.mark.parametrize(("prior", "prior_sd", "sd"), [(3.6, 0.4, 0.12), (4.5, 0.2, 0.3), (3.9, 2.0, 0.05)])
def test_the_mean_is_that_of_the_posterior_integrated(prior, prior_sd, sd):
    # Independent: prior times likelihood, integrated numerically by scipy, without the closed form.
    seen = [3.92, 3.87, 4.01]

    def density(x: float) -> float:
        logs = stats.norm.logpdf(x, prior, prior_sd) + stats.norm.logpdf(seen, x, sd).sum()
        return math.exp(logs - stats.norm.logpdf(seen, np.mean(seen), sd).sum())

    def moment(power: int) -> float:
        return integrate.quad(lambda x: x**power * density(x), 2.0, 6.0, points=[3.9], epsabs=1e-13)[0]

    total = moment(0)
    mean = moment(1) / total
    learned = shrink(prior, prior_sd, seen, sd)
    assert learned.mean == pytest.approx(mean, abs=1e-7)
    assert learned.sd == pytest.approx(math.sqrt(moment(2) / total - mean**2), rel=1e-5)


def test_the_scatter_is_that_of_the_reference_library():
    values = [3.92, 3.87, 4.01, 2.90, 3.95, 3.90]
    assert pytest.approx(1 / stats.norm.ppf(0.75), abs=5e-5) == NORMAL_MAD
    limit = 3.5 * stats.median_abs_deviation(values, scale="normal")
    odd = {one.value for one in set_aside(values)}
    assert odd == {x for x in values if abs(x - np.median(values)) > limit}


def test_equal_readings_do_not_throw_out_their_neighbour():
    # MAD 0 is taken as 0.02 L, so the limit is 3.5 × 1.4826 × 0.02 = 0.104 L.
    assert set_aside([3.9, 3.9, 3.9, 4.0]) == ()
    assert [one.reason for one in set_aside([3.9, 3.9, 3.9, 4.01])] == [FAR_OFF]
    assert set_aside([]) == ()


def test_spreads_grow_with_the_unit():
    assert drain_spread(3.6) == drain_spread(4.0)
    assert drain_spread(24.0).sd_l == pytest.approx(6 * drain_spread(4.0).sd_l)
    with pytest.raises(QuantityError, match="above zero"):
        drain_spread(0.0)


@given(
    st.floats(1, 20), st.floats(0.05, 2), st.lists(st.floats(1, 20), max_size=12), st.floats(0.02, 1), st.randoms()
)  # fmt: skip
def test_learning_never_overshoots_and_never_depends_on_order(prior, prior_sd, values, sd, random):
    learned = shrink(prior, prior_sd, values, sd)
    odd = {one.place for one in learned.set_aside}
    kept = [value for place, value in enumerate(values) if place not in odd]
    assert learned.n == len(kept)
    assert min([prior, *kept]) - 1e-9 <= learned.mean <= max([prior, *kept]) + 1e-9
    assert learned.sd <= prior_sd * (1 + 1e-12)
    mixed = list(values)
    random.shuffle(mixed)
    again = shrink(prior, prior_sd, mixed, sd)
    assert (again.mean, again.sd, again.n) == pytest.approx((learned.mean, learned.sd, learned.n))


def test_a_drain_under_the_reference_is_only_brought_to_15_degrees():
    # API MPMS 11.1 for density 850: 6.00 L at 70 °C are 5.754 L at 15 °C (reference calculation).
    curve = fit_drain_curve(5.5, 8.0)
    assert normalise_drain(6.0, 70, 10, 18, 0.0, curve) == pytest.approx(5.754, abs=0.003)


def test_a_long_drain_from_warm_is_no_ten_minute_figure():
    # Reference calculation: 38 min from 55 °C in a shed at 15 °C are expected to give 4.03 L where 10 min give 3.62.
    expected = drained_l(38, 55, 15, CURVE)
    assert expected == pytest.approx(4.03, abs=0.02)
    seen = normalise_drain(expected, LEARNED_AT_C, 38, 15, 0.0, CURVE, start_c=55)
    assert seen == pytest.approx(3.6, abs=0.001)


def test_what_was_missing_on_arrival_is_added():
    level = normalise_drain(3.5, 15, 10, 18, 0.0, CURVE)
    assert normalise_drain(3.5, 15, 10, 18, 0.15, CURVE) == pytest.approx(level + 0.15)
    assert level == pytest.approx(volume_at(3.5, 15, 15))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"minutes": 0.5}, "too far apart"),
        ({"minutes": float("nan")}, "zero or more"),
        ({"temp_c": 1000}, "outside"),
        ({"out_l": -1}, "zero or more"),
        ({"arrival_low_l": float("nan")}, "must be a number"),
    ],
)
def test_a_drain_that_cannot_be_judged_is_refused(change, words):
    drain = {"out_l": 3.6, "temp_c": 70, "minutes": 10, "shed_c": 18, "arrival_low_l": 0.0, "curve": CURVE}
    with pytest.raises(QuantityError, match=words):
        normalise_drain(**(drain | change))


def test_one_weighed_job_tells_most_of_a_trays_error():
    # Reference calculation: 0 ± 4 % and one observation of −3.6 ± 1.2 % give −3.30 ± 1.15 %.
    learned = reading_error_from([-0.036])
    assert (round(100 * learned.mean, 2), round(100 * learned.sd, 2), learned.n) == (-3.30, 1.15, 1)
    assert reading_error_from([]) == Learned(0.0, pytest.approx(0.04), 0)
    assert reading_error_share(10.0, 10.36) == pytest.approx(-0.036)
    with pytest.raises(QuantityError, match="weigh again"):
        reading_error_share(0.0, 3.0)


def test_the_slope_of_a_stick_weighs_long_corrections_more():
    # Arithmetic of the law of propagation (JCGM 100, 5.1.2), by differences instead of derivatives.
    def u(ml: float, mm: float) -> float:
        by_ml = (ml + 10) / mm - ml / mm
        by_mm = (ml / (mm - 5e-6) - ml / (mm + 5e-6)) / 1e-5 * 0.5 * math.sqrt(2)
        return math.hypot(by_ml, by_mm)

    pours = [(200.0, 8.5), (400.0, 16.5)]
    learned = ml_per_mm_from(25.0, 3.0, pours)
    weights = [3.0**-2, *(u(ml, mm) ** -2 for ml, mm in pours)]
    mean = np.average([25.0, 200 / 8.5, 400 / 16.5], weights=weights)
    assert learned.mean == pytest.approx(mean, rel=1e-6)
    assert learned.sd == pytest.approx(sum(weights) ** -0.5, rel=1e-6)
    for pour in ((200.0, 0.0), (-100.0, 4.0), (200.0, float("nan"))):
        with pytest.raises(QuantityError, match="above zero"):
            ml_per_mm_from(25.0, 3.0, [pour])


def test_a_sample_gives_share_and_mixing():
    # Reference calculation: Ca 110 old, 260 new, 225 after; 6.1 + 4.0 L of 11.2.
    found = mixing_from_sample(110, 260, 225, 6.1, 4.0, 11.2)
    assert (round(found.fresh_share, 3), round(found.mixing, 3)) == (0.767, 0.613)


def test_an_element_that_falls_serves_as_well():
    rising = mixing_from_sample(110, 260, 225, 6.1, 4.0, 11.2)
    falling = mixing_from_sample(260, 110, 145, 6.1, 4.0, 11.2)
    assert falling.mixing == pytest.approx(rising.mixing)


@given(st.floats(0.0, 1.0), st.floats(1, 6), st.floats(0.5, 10))
def test_mixing_is_the_root_a_solver_finds(mixing, drained, pushed):
    share = one_number_share(drained, pushed, 11.2, mixing)
    found = mixing_from_sample(100, 300, 100 + 200 * share, drained, pushed, 11.2).mixing
    assert one_number_share(drained, pushed, 11.2, found) == pytest.approx(share, abs=1e-9)
    if 0.01 < mixing < 0.99:
        root = optimize.brentq(lambda m: one_number_share(drained, pushed, 11.2, m) - share, 0, 1, xtol=1e-13)
        assert found == pytest.approx(root, abs=1e-6)


@pytest.mark.parametrize(
    ("sample", "words"),
    [
        ((220, 260, 240, 6.1, 4.0, 11.2), "differ by less than 20 %"),
        ((0, 0, 0, 6.1, 4.0, 11.2), "differ by less than 20 %"),
        ((110, 260, 280, 6.1, 4.0, 11.2), "outside 0 to 1"),
        ((110, 260, 100, 6.1, 4.0, 11.2), "outside 0 to 1"),
        ((110, 260, 200, 6.1, 4.0, 11.2), "reference samples"),
        ((110, 260, 255, 6.1, 4.0, 11.2), "reference samples"),
        ((110, 260, float("nan"), 6.1, 4.0, 11.2), "mg/kg"),
        ((110, 260, 192, 6.1, 0.0, 11.2), "nothing about mixing"),
        ((110, 260, 225, 16.1, 4.0, 11.2), "outside zero to the total fill"),
    ],
)
def test_a_sample_that_cannot_be_right_is_refused(sample, words):
    with pytest.raises(QuantityError, match=words):
        mixing_from_sample(*sample)


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ((3.6, 0.0, [3.9], 0.12), "above zero"),
        ((3.6, 0.4, [3.9], 0.0), "above zero"),
        ((float("nan"), 0.4, [3.9], 0.12), "must be a number"),
        ((3.6, 0.4, [3.9, 4.0], [0.12]), "as many spreads"),
        ((3.6, 0.4, [float("nan")], 0.12), "not a number"),
    ],
)
def test_figures_that_teach_nothing_are_refused(given_, words):
    with pytest.raises(QuantityError, match=words):
        shrink(*given_)
