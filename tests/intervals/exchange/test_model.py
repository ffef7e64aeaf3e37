import math
from dataclasses import replace
from time import process_time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard, stage_limit
from intervals.exchange.model import cut_stages, share_curve, simulate
from intervals.exchange.shares import plug_share, stirred_share
from tests.intervals.exchange.boxes import boxes, within
from tests.intervals.exchange.twin import by_equation

LINE, MACHINE = "cooler-line exchange", "machine exchange"
LITRES = (7, 8, 9, 10.1, 11, 12, 14, 17)
TABLE = {
    (LINE, "overnight drain"): (0.625, 0.683, 0.730, 0.773, 0.803, 0.831, 0.876, 0.921),
    (LINE, "quick drain"): (0.579, 0.633, 0.682, 0.727, 0.760, 0.792, 0.843, 0.898),
    (MACHINE, "quick drain"): (0.575, 0.627, 0.673, 0.716, 0.747, 0.778, 0.828, 0.883),
    (LINE, "none"): (0.558, 0.613, 0.663, 0.710, 0.744, 0.777, 0.832, 0.890),
}


# Reference calculation.
@pytest.mark.parametrize(("method", "start"), TABLE)
def test_shares_by_method_and_litres(tb6, method, start):
    stepped = [simulate(tb6, method, litres, start=start).fresh_share for litres in LITRES]
    assert stepped == pytest.approx(TABLE[method, start], abs=6e-4)
    assert share_curve(tb6, method, LITRES, start=start)[0] == pytest.approx(stepped, abs=2e-4)


# Reference calculation.
@pytest.mark.parametrize(
    ("r", "b", "share"),
    [(0, 0, 0.761), (0, 0.5, 0.748), (1, 0, 0.770), (2, 0.5, 0.761), (4, 0, 0.776), (4, 0.5, 0.764)],
)
def test_turnover_and_bleed_move_the_share_little(tb6, r, b, share):
    assert simulate(tb6, LINE, 10.1, turnover=r, bleed=b).fresh_share == pytest.approx(share, abs=6e-4)


# Reference calculation.
def test_variants_of_the_worked_job(tb6):
    def share(*args, **kwargs):
        return simulate(tb6, *args, **kwargs).fresh_share

    assert share(LINE, 10.1, 1.0) == pytest.approx(0.772, abs=6e-4)
    assert share(LINE, 10.1, circulated_first_l=20.0) == pytest.approx(0.704, abs=6e-4)
    assert share(LINE, 10.1, hose="before the cooler") == pytest.approx(0.723, abs=6e-4)
    assert share(MACHINE, 10.1, start="none") == pytest.approx(0.680, abs=6e-4)
    assert share(LINE, 11.4, start="quick drain") == pytest.approx(0.773, abs=6e-4)
    assert share("drain-and-refill") == pytest.approx(3.6 / 11.2)
    assert share("overnight drain") == pytest.approx(6.1 / 11.2)


# Reference calculation: share per share of the fill poured.
@pytest.mark.parametrize(("litres", "efficiency"), [(10.1, 0.86), (12.0, 0.78), (17.0, 0.61)])
def test_later_litres_bring_less(tb6, litres, efficiency):
    assert share_curve(tb6, LINE, litres)[0, 0] / (litres / 11.2) == pytest.approx(efficiency, abs=0.005)


def test_the_worked_job_step_by_step(tb6):
    run = simulate(tb6, LINE, 10.1)
    assert run.is_allowed
    assert run.lowest_sump_l == pytest.approx(2.0)
    assert [s.litres for s in run.stages] == [2.0, 2.0]
    assert [s.seconds for s in run.stages] == [48.0, 48.0]
    assert [s.sump_after_l for s in run.stages] == pytest.approx([2.0, 2.0])
    assert [(s.out_total_l, s.in_total_l) for s in run.stages] == [
        pytest.approx((8.1, 8.1)),
        pytest.approx((10.1, 10.1)),
    ]


def test_unsafe_runs_are_refused_with_a_reason_and_without_a_share(tb6):
    one_go = simulate(tb6, LINE, 10.1, 4.0)
    assert (one_go.is_allowed, one_go.fresh_share, one_go.reason) == (False, None, "stage_too_large")
    assert one_go.lowest_sump_l == 0.0
    assert "at most 2.00 L" in one_go.sentence
    dry_start = simulate(tb6, LINE, 3.6)
    assert (dry_start.is_allowed, dry_start.fresh_share, dry_start.reason) == (False, None, "start_refused")
    short = simulate(tb6, LINE, 5.0)
    assert (short.is_allowed, short.fresh_share, short.reason) == (False, None, "refill_short")


# scipy's solve_ivp, DOP853, with a pure delay: see twin.py.
@settings(max_examples=80, deadline=None)
@given(
    boxes(), st.sampled_from([LINE, MACHINE]), st.sampled_from(["none", "quick drain", "overnight drain"]),
    st.one_of(st.floats(0.0, 0.1), st.floats(0.0, 1.5)), within(0.0, 4.0), within(0.0, 0.5),
    st.floats(0.2, 1.0),
)  # fmt: skip
def test_fast_kernel_slow_twin_and_differential_equation_agree(
    box, method, start, fills, r, b, share_of_limit
):
    stage = share_of_limit * stage_limit(box).litres
    poured = {"none": 0.0, "quick drain": box.quick_drain_l, "overnight drain": box.overnight_drain_l}[start]
    litres = poured + fills * box.total_fill_l
    exact = by_equation(box, method, start, litres, stage, r, b)
    staged = {"stage_l": stage} if method == LINE else {}
    fast = share_curve(box, method, litres, [r], [b], start=start, **staged)[0, 0]
    assert fast == pytest.approx(exact, abs=1e-6)
    run = simulate(box, method, litres, start=start, turnover=r, bleed=b, **staged)
    if run.is_allowed:
        assert run.fresh_share == pytest.approx(exact, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(boxes(), st.sampled_from([LINE, MACHINE]), st.floats(0.0, 1.2), within(0.0, 4.0), within(0.0, 0.5))
def test_a_hose_pulled_before_the_cooler_agrees_with_the_differential_equation(box, method, fills, r, b):
    litres = fills * box.total_fill_l
    run = simulate(box, method, litres, start="none", turnover=r, bleed=b, hose="before the cooler")
    exact = by_equation(box, method, "none", litres, stage_limit(box).litres, r, b, is_before_cooler=True)
    assert run.fresh_share == pytest.approx(exact, abs=1e-6)


# The same differential equation; a unit of 400 L and a thimble, each with a part near the least a card may give.
@pytest.mark.parametrize("total_l", [0.5, 400.0])
@pytest.mark.parametrize("method", [LINE, MACHINE])
def test_parts_next_to_nothing_and_units_of_any_size_stay_exact(total_l, method):
    for sump, converter, passages in ((0.7, 0.005, 0.245), (0.7, 0.245, 0.005), (0.05, 0.45, 0.45)):
        card = UnitCard(
            total_fill_l=total_l, sump_l=sump * total_l, converter_l=converter * total_l,
            cooler_l=0.05 * total_l, passages_l=passages * total_l, heel_l=0.0, converter_drainback_l=0.0,
            passages_drainback_l=0.0, pickup_l=0.1 * sump * total_l, swirl_l=0.0, jug_mark_l=0.001 * total_l,
        )  # fmt: skip
        stage = stage_limit(card).litres
        exact = by_equation(card, method, "none", 0.6 * total_l, stage, 4.0, 0.5)
        fast = share_curve(card, method, 0.6 * total_l, [4.0], [0.5], start="none")[0, 0]
        slow = simulate(card, method, 0.6 * total_l, start="none", turnover=4.0, bleed=0.5).fresh_share
        assert (fast, slow) == pytest.approx((exact, exact), abs=1e-6)


@given(
    st.floats(0.0, 14.0),
    st.floats(0.05, 3.0),
    st.floats(0.0, 4.0),
    st.floats(0.0, 0.5),
    st.sampled_from([0.5, 1.0, 1.75, 2.0]),
    st.sampled_from(["none", "quick drain", "overnight drain"]),
)
def test_share_rises_with_litres_between_plug_and_stirred(tb6, pushed, more, r, b, stage, start):
    drained = {"none": 0.0, "quick drain": 3.6, "overnight drain": 6.1}[start]
    first, second = share_curve(
        tb6, LINE, [drained + pushed, drained + pushed + more], [r], [b], start=start, stage_l=stage
    )[0]
    assert 0.0 <= first < second < 1.0
    assert first <= plug_share(drained, pushed, 11.2) + 1e-9
    if r >= 0.5:  # passages that never turn over are a dead volume, which no stirred tank has
        assert first >= stirred_share(drained, pushed, 11.2, stage) - 0.02


@settings(max_examples=25, deadline=None)
@given(
    st.floats(0.0, 8.0),
    st.floats(0.0, 4.0),
    st.floats(0.0, 0.5),
    st.floats(0.25, 2.0),
    st.sampled_from([LINE, MACHINE]),
    st.sampled_from(["none", "quick drain", "overnight drain"]),
)
def test_no_fluid_is_unaccounted_for(tb6, pushed, r, b, stage, method, start):
    drained = {"none": 0.0, "quick drain": 3.6, "overnight drain": 6.1}[start]
    run = simulate(tb6, method, drained + pushed, stage, start=start, turnover=r, bleed=b, slice_l=0.02)
    assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
    assert run.total_volume_l == pytest.approx(11.2, abs=1e-9)
    assert sum(s.litres for s in run.stages) == pytest.approx(pushed, abs=1e-8)


def test_passages_that_never_turn_over_stay_old(tb6):
    endless = share_curve(tb6, LINE, 200.0, [0.0], [0.0], start="quick drain")[0, 0]
    assert endless == pytest.approx(1.0 - 3.1 / 11.2, abs=1e-6)


def test_circulating_first_keeps_the_balance_too(tb6):
    run = simulate(tb6, LINE, 10.1, circulated_first_l=20.0)
    assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
    assert run.total_volume_l == pytest.approx(11.2, abs=1e-9)


def test_halving_the_step_hardly_moves_the_share(tb6):
    for litres in (8.0, 10.1, 14.0):
        coarse = simulate(tb6, LINE, litres).fresh_share
        fine = simulate(tb6, LINE, litres, slice_l=0.0025).fresh_share
        assert coarse == pytest.approx(fine, abs=1e-6)
        assert share_curve(tb6, LINE, litres)[0, 0] == pytest.approx(
            share_curve(tb6, LINE, litres, turned_in_a_step=0.05)[0, 0], abs=1e-6
        )


def test_learned_drains_that_differ_from_the_parts_still_balance(tb6):
    learned = replace(tb6, quick_drain_l=3.924, overnight_drain_l=6.0)
    for start, drained in (("quick drain", 3.924), ("overnight drain", 6.0)):
        run = simulate(learned, LINE, drained + 4.0, start=start)
        assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
        assert run.total_volume_l == pytest.approx(11.2, abs=1e-9)


def test_stages_are_cut_full_with_a_remainder():
    assert cut_stages(4.5, 2.0) == pytest.approx((2.0, 2.0, 0.5))  # reference calculation
    assert cut_stages(4.1, 2.0, 0.25) == (2.0, 2.0)
    assert cut_stages(4.25, 2.0, 0.25) == pytest.approx((2.0, 2.0, 0.25))
    assert cut_stages(0.0, 2.0) == ()
    with pytest.raises(QuantityError):
        cut_stages(4.0, 0.0)


def test_what_cannot_be_simulated_says_why(tb6):
    with pytest.raises(CardError, match="does not give sump, converter"):
        simulate(UnitCard(11.2, 3.6), LINE, 8.0)
    with pytest.raises(CardError, match="overnight drain"):
        simulate(replace(tb6, overnight_drain_l=None), LINE, 8.0)
    with pytest.raises(QuantityError, match="Unknown method"):
        simulate(tb6, "magic", 8.0)
    with pytest.raises(QuantityError, match="Unknown start"):
        simulate(tb6, LINE, 8.0, start="hope")
    with pytest.raises(QuantityError, match="go back in"):
        simulate(tb6, "drain-and-refill", 5.0)
    with pytest.raises(QuantityError, match="litres of new fluid"):
        simulate(tb6, LINE, math.nan)
    with pytest.raises(QuantityError, match="refill"):
        share_curve(tb6, LINE, [5.0])
    with pytest.raises(QuantityError, match="pushes nothing"):
        share_curve(tb6, "drain-and-refill", [8.0])
    with pytest.raises(QuantityError, match="limit"):
        share_curve(tb6, LINE, [9.0], stage_l=2.5)


def test_the_curve_costs_less_than_stepping_each_case(tb6):
    litres = np.arange(6.1, 20.0, 0.5)
    turnovers, bleeds = np.linspace(0, 4, 25), np.linspace(0, 0.5, 25)
    began = process_time()
    share_curve(tb6, LINE, litres, turnovers, bleeds)
    curve_s = process_time() - began
    began = process_time()
    simulate(tb6, LINE, 20.0)
    one_run_s = process_time() - began
    assert curve_s < 0.1 * one_run_s * litres.size * turnovers.size
