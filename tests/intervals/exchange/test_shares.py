import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange.shares import one_number_share, plug_share, share_after_drains, stirred_share

V = 11.2


# Reference calculation.
@pytest.mark.parametrize(
    ("drain_l", "shares"), [(3.6, (0.3214, 0.5395, 0.6875, 0.7880)), (6.1, (0.5446, 0.7926))]
)
def test_drains_with_a_drive_between_follow_the_power_law(drain_l, shares):
    got = [share_after_drains(n, drain_l, V) for n in range(1, len(shares) + 1)]
    assert got == pytest.approx(shares, abs=5.1e-5)


# Mass balance of a stirred tank, old share (1 - d/V)^n, e.g. Levenspiel, Chemical Reaction Engineering.
def test_old_share_of_a_nine_litre_fill_after_four_litre_drains():
    old = [1.0 - share_after_drains(n, 4.0, 9.0) for n in (1, 2, 3, 4)]
    assert old == pytest.approx([0.555556, 0.308642, 0.171468, 0.095260], abs=1e-6)


# Reference calculation: the second drain takes out what was just poured.
def test_drains_without_a_drive_hardly_help():
    got = [share_after_drains(n, 3.6, V, driven_between=False, heel_l=0.4) for n in (1, 2, 3)]
    assert got == pytest.approx([0.3214, 0.3536, 0.3568], abs=5.1e-5)


def test_shares_of_drains_are_not_added():
    assert share_after_drains(3, 3.6, V) < 3 * 3.6 / V - 0.25


# Reference calculation.
def test_bounds_of_six_litres_drained_and_four_pushed():
    assert plug_share(6.1, 4.0, V) == pytest.approx(0.9018, abs=5.1e-5)
    assert stirred_share(6.1, 4.0, V) == pytest.approx(0.6814, abs=5.1e-5)
    assert stirred_share(6.1, 4.0, V, 2.0) == pytest.approx(0.6928, abs=5.1e-5)
    assert stirred_share(6.1, 4.0, V, 4.0) == pytest.approx(0.7073, abs=5.1e-5)


def test_a_part_stage_counts_as_what_it_is():
    by_hand = 1.0 - (1 - 6.1 / V) * (1 - 2.0 / V) * (1 - 0.5 / V)
    assert stirred_share(6.1, 2.5, V, 2.0) == pytest.approx(by_hand)


# Levenspiel, Chemical Reaction Engineering: stirred tank, old share left inside exp(-theta).
@pytest.mark.parametrize(("theta", "old"), [(0.5, 0.606531), (1.0, 0.367879), (2.0, 0.135335)])
def test_steady_stirring_is_the_stirred_tank(theta, old):
    assert 1.0 - stirred_share(0.0, theta * 9.0, 9.0) == pytest.approx(old, abs=1e-6)
    assert 1.0 - one_number_share(0.0, theta * 9.0, 9.0, 1.0) == pytest.approx(old, abs=1e-6)


# Same source, one volume exchanged in k equal stirred drains approaches 1/e from below.
@pytest.mark.parametrize(("k", "old"), [(2, 0.25), (4, 0.316406), (10, 0.348678), (100, 0.366032)])
def test_few_large_drains_beat_many_small_ones(k, old):
    assert 1.0 - share_after_drains(k, 9.0 / k, 9.0) == pytest.approx(old, abs=1e-6)
    assert 1.0 - stirred_share(0.0, 9.0, 9.0, 9.0 / k) == pytest.approx(old, abs=1e-6)


def tanks_in_series_old_inside(n, theta):
    """Old fluid left inside n equal stirred tanks, (1/n) sum over tanks of the old share in each (Levenspiel)."""
    x = n * theta
    total = sum(math.exp(-x) * sum(x**i / math.factorial(i) for i in range(k)) for k in range(1, n + 1))
    return total / n


# Published inside fractions for tanks in series lie between full stirring and the pure push.
@pytest.mark.parametrize(
    ("n", "inside"),
    [
        (2, (0.551819, 0.270671, 0.124468, 0.054947)),
        (3, (0.529934, 0.224042, 0.081929, 0.027266)),
        (5, (0.512390, 0.175467, 0.043344, 0.008581)),
        (10, (0.502219, 0.125110, 0.013684, 0.000821)),
    ],
)
def test_tanks_in_series_lie_between_the_bounds(n, inside):
    for theta, old in zip((0.5, 1.0, 1.5, 2.0), inside, strict=True):
        assert tanks_in_series_old_inside(n, theta) == pytest.approx(old, abs=1e-6)
        assert 1.0 - plug_share(0.0, theta, 1.0) <= old <= 1.0 - stirred_share(0.0, theta, 1.0)


# Reference calculation.
@pytest.mark.parametrize(
    ("mixing", "share"),
    [(0.0, 0.9018), (0.4, 0.8136), (0.5, 0.7916), (0.6, 0.7696), (0.8, 0.7255), (1.0, 0.6814)],
)
def test_one_number_formula_spans_the_bounds(mixing, share):
    assert one_number_share(6.1, 4.0, V, mixing) == pytest.approx(share, abs=5.1e-5)


# Reference calculation.
def test_one_number_formula_after_a_quick_drain():
    assert one_number_share(3.6, 6.5, V) == pytest.approx(0.7328, abs=5.1e-5)
    assert one_number_share(3.6, 10.4, V) == pytest.approx(0.8391, abs=5.1e-5)


# Reference calculation: total litres for a target, after a quick drain and after an overnight drain.
@pytest.mark.parametrize(
    ("mixing", "target", "quick_total_l", "overnight_total_l"),
    [
        (0.6, 0.67, 9.00, 8.27),
        (0.6, 0.75, 10.41, 9.73),
        (0.6, 0.85, 14.78, 12.82),
        (0.6, 0.90, 19.32, 17.36),
        (0.8, 0.75, 12.28, 10.71),
    ],
)
def test_total_litres_for_a_target(mixing, target, quick_total_l, overnight_total_l):
    assert one_number_share(3.6, quick_total_l - 3.6, V, mixing) == pytest.approx(target, abs=4e-4)
    assert one_number_share(6.1, overnight_total_l - 6.1, V, mixing) == pytest.approx(target, abs=4e-4)


# Common practice, no source: 8 L in all through a box holding 9 to 10 L leave it two thirds to three quarters new.
@pytest.mark.parametrize("total_l", [9.0, 9.5, 10.0])
def test_eight_litres_leave_a_common_box_about_two_thirds_to_three_quarters_new(total_l):
    assert 2 / 3 - 0.02 <= one_number_share(3.0, 5.0, total_l) <= 3 / 4 + 0.01


def test_all_drained_is_all_new():
    assert one_number_share(2.3, 0.0, 2.3) == 1.0


@given(
    st.floats(1.0, 200.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 1.0),
)
def test_share_rises_with_litres_and_stays_between_the_bounds(total_l, drain_share, first, more, mixing):
    drain_l, v = drain_share * total_l, first * total_l
    share = one_number_share(drain_l, v, total_l, mixing)
    assert stirred_share(drain_l, v, total_l) - 1e-12 <= share <= plug_share(drain_l, v, total_l) + 1e-12
    assert one_number_share(drain_l, v + more * total_l, total_l, mixing) >= share - 1e-12


@pytest.mark.parametrize(
    ("drain_l", "pushed_l", "total_l"),
    [
        (12.0, 1.0, 11.2), (-1.0, 1.0, 11.2), (math.nan, 1.0, 11.2), (3.6, -1.0, 11.2), (3.6, 1.0, 0.0),
        (3.6, 1.0, math.nan),
    ],
)  # fmt: skip
def test_unusable_litres_are_refused(drain_l, pushed_l, total_l):
    for share in (plug_share, stirred_share, one_number_share):
        with pytest.raises(QuantityError):
            share(drain_l, pushed_l, total_l)


def test_impossible_stages_mixing_and_counts_are_refused():
    with pytest.raises(QuantityError, match="stage"):
        stirred_share(3.6, 4.0, V, 0.0)
    with pytest.raises(QuantityError, match="mixing"):
        one_number_share(3.6, 4.0, V, 1.2)
    with pytest.raises(QuantityError, match="number of drains"):
        share_after_drains(-1, 3.6, V)
