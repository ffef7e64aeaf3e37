"""Learning: book figures pulled by jobs, odd ones set aside."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from intervals.errors import QuantityError
from intervals.exchange import drained_l, fit_drain_curve, volume_at
from intervals.exchange.learning import (
    FAR_BELOW,
    FAR_OFF,
    LEARNED_AT_C,
    NORMAL_MAD,
    drain_spread,
    normalise_drain,
    set_aside,
    shrink,
    zeta_score,
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


GEAR = """
    1.006 0.996 0.998 1.000 0.992 0.993 1.002 0.999 0.994 1.000
    0.998 1.006 1.000 1.002 0.997 0.998 0.996 1.000 1.006 0.988
    0.991 0.987 0.997 0.999 0.995 0.994 1.000 0.999 0.996 0.996
    1.005 1.002 0.994 1.000 0.995 0.994 0.998 0.996 1.002 0.996
    0.998 0.998 0.982 0.990 1.002 0.984 0.996 0.993 0.980 0.996
    1.009 1.013 1.009 0.997 0.988 1.002 0.995 0.998 0.981 0.996
    0.990 1.004 0.996 1.001 0.998 1.000 1.018 1.010 0.996 1.002
    0.998 1.000 1.006 1.000 1.002 0.996 0.998 0.996 1.002 1.006
    1.002 0.998 0.996 0.995 0.996 1.004 1.004 0.998 0.999 0.991
    0.991 0.995 0.984 0.994 0.997 0.997 0.991 0.998 1.004 0.997
"""
"""Diameters of gears, ten batches of ten (NIST data set GEAR.DAT, typed from memory)."""


def test_the_zeta_score_is_that_of_the_published_example():
    # NIST Dataplot reference manual, “ISO 13528 zeta score”: batch 1 of GEAR.DAT against 1, u(x) the standard deviation
    # of the batch, u(ref) that of all hundred, printed to three decimals.
    gear = np.array([float(one) for one in GEAR.split()])
    u_batch, u_all = np.std(gear[:10], ddof=1), np.std(gear, ddof=1)
    printed = [0.785, -0.523, -0.261, 0.000, -1.047]
    # The diameters are from memory, so a thousandth of a score is left open.
    assert [zeta_score(x, u_batch, 1.0, u_all) for x in gear[:5]] == pytest.approx(printed, abs=0.0015)
    assert zeta_score(2.0, 0.0, 1.0, 0.0) == math.inf
    assert zeta_score(1.0, 0.0, 1.0, 0.0) == 0.0
    with pytest.raises(QuantityError, match="standard uncertainty"):
        zeta_score(1.0, float("nan"), 1.0, 0.1)


def test_a_cloud_of_poor_readings_does_not_push_out_a_weighed_one():
    # Six readings by one tray of ± 5 % (0.11 L) agree to a hundredth, a scale says 0.3 L less. By the scatter alone the
    # weight would go; its own and the tray's stated uncertainty explain the difference.
    cloud = [3.90, 3.91, 3.89, 3.90, 3.92, 3.90]
    values, sds = [*cloud, 3.60], [0.165] * 6 + [0.02]
    assert [one.value for one in set_aside(values)] == [3.60]
    assert set_aside(values, sds) == ()
    learned = shrink(3.6, 0.4, values, sds)
    assert learned.n == 7
    assert learned.mean == pytest.approx(3.62, abs=0.01)


def test_a_weighed_cloud_still_pushes_out_what_does_not_belong():
    # The same seven with every reading as sure as a weight: 0.3 L is fifteen times what they can be off.
    values = [3.90, 3.91, 3.89, 3.90, 3.92, 3.90, 3.60]
    assert [(one.value, one.reason) for one in set_aside(values, [0.02] * 7)] == [(3.60, FAR_OFF)]
    assert [one.reason for one in set_aside([*values[:6], 3.30], [0.12] * 7)] == [FAR_BELOW]


def test_a_reading_by_a_poor_tool_is_heard_little_but_not_thrown_out():
    values, sds = [3.90, 3.92, 3.88, 4.30], [0.02, 0.02, 0.02, 0.30]
    learned = shrink(3.6, 0.4, values, sds)
    assert learned.set_aside == ()
    assert learned.mean == pytest.approx(np.average(values, weights=np.array(sds) ** -2.0), abs=0.001)


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
