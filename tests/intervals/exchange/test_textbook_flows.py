"""The exchange model taken to its textbook limits, and what must hold for any unit."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from intervals.exchange.card import UnitCard, check_card, stage_limit
from intervals.exchange.curve import share_curve
from intervals.exchange.drain import drained_l, fit_drain_curve, kinematic_viscosity, minutes_at_60c
from intervals.exchange.first_fill import first_fill_l, overfill_probability
from intervals.exchange.level import excess_ml, stick_offset_mm
from intervals.exchange.methods import plan_exchange
from intervals.exchange.model import simulate
from intervals.exchange.starts import COOLER_LINE, MACHINE
from intervals.exchange.volumes import volume_at

G_M_S2 = 9.81


def parts(sump_l, converter_l, cooler_l, passages_l, **more):
    """A unit of four parts from which nothing drains back and whose pump never starves."""
    return UnitCard(
        total_fill_l=sump_l + converter_l + cooler_l + passages_l,
        sump_l=sump_l,
        converter_l=converter_l,
        cooler_l=cooler_l,
        passages_l=passages_l,
        heel_l=0.0,
        converter_drainback_l=0.0,
        passages_drainback_l=0.0,
        pickup_l=0.0,
        swirl_l=0.0,
        **more,
    )


def pushed_through(card, litres, method=MACHINE, turnover=0.0, bleed=0.0, **more):
    return share_curve(card, method, litres, [turnover], [bleed], start="none", **more)[0]


# Levenspiel, Chemical Reaction Engineering, tanks in series, N = 2: old fluid left *inside* at 0.5, 1, 1.5 and 2
# volumes. Sump and converter of one size fed by a machine are two tanks, cooler and passages next to nothing.
def test_sump_and_converter_of_one_size_are_two_tanks_in_series():
    card = parts(4.0, 4.0, 1e-6, 1e-6)
    old = 1.0 - pushed_through(card, [4.0, 8.0, 12.0, 16.0])
    assert old == pytest.approx((0.551819, 0.270671, 0.124468, 0.054947), abs=2e-6)


# Levenspiel, single stirred tank: exp(-theta); a converter of a spoonful leaves the sump alone.
def test_a_sump_alone_is_one_stirred_tank():
    card = parts(8.0, 0.05, 1e-6, 1e-6)
    old = 1.0 - pushed_through(card, [8.05, 16.1])
    assert old == pytest.approx((math.exp(-1), math.exp(-2)), abs=0.003)


# Dead volume, r = (1 - m) + m r_live(theta / m), mass balance: passages that never turn over stay old.
@pytest.mark.parametrize("dead_share", [0.1, 0.25])
def test_passages_that_never_turn_over_are_a_dead_volume(dead_share):
    live_l = 10.0 * (1.0 - dead_share)
    card = parts(live_l / 2, live_l / 2, 1e-6, 10.0 * dead_share)
    theta = 10.0 / live_l
    two_tanks = math.exp(-2 * theta) * (1.0 + theta)
    old = 1.0 - pushed_through(card, [10.0])
    assert old == pytest.approx(dead_share + (1.0 - dead_share) * two_tanks, abs=2e-6)


# Pure push: what leaves is old until the cooler's content is out, so every litre counts in full.
@settings(max_examples=60, deadline=None)
@given(
    st.floats(1.0, 8.0), st.floats(1.0, 8.0), st.floats(0.3, 3.0), st.floats(1.0, 8.0), st.floats(0.0, 1.0),
    st.floats(0.0, 4.0), st.floats(0.0, 0.5), st.sampled_from([COOLER_LINE, MACHINE]),
)  # fmt: skip
def test_nothing_fresh_is_lost_before_the_cooler_is_empty(
    sump, converter, cooler, passages, part, r, b, method
):
    card = parts(sump, converter, cooler, passages)
    litres = part * cooler
    share = pushed_through(card, [litres], method, r, b)[0]
    assert share == pytest.approx(litres / card.total_fill_l, abs=1e-9)


# Stages in closed form, r = b = 0: while the hose is off the sump keeps its share and only falls; the converter nears
# it as exp(-s/C); the pour then mixes with what is left. Mass balance of each stage.
@pytest.mark.parametrize(
    ("sump_l", "converter_l", "stage_l"), [(4.0, 3.2, 2.0), (6.0, 1.5, 1.0), (3.0, 5.0, 2.5)]
)
def test_stages_follow_their_closed_form(sump_l, converter_l, stage_l):
    card = parts(sump_l, converter_l, 1e-6, 1e-6, jug_mark_l=0.25)
    in_sump, in_converter, shares = 0.0, 0.0, []
    for _ in range(6):
        in_converter = in_sump + (in_converter - in_sump) * math.exp(-stage_l / converter_l)
        in_sump = (in_sump * (sump_l - stage_l) + stage_l) / sump_l
        shares.append((sump_l * in_sump + converter_l * in_converter) / (sump_l + converter_l))
    litres = [stage_l * (i + 1) for i in range(6)]
    assert pushed_through(card, litres, COOLER_LINE, stage_l=stage_l) == pytest.approx(shares, abs=2e-6)


# Dilution power law: n >= ln r / ln(1 - d/V); 9 L fill, 4 L drains, old share at most 10 % -> 4 drains, 9.5 % left.
def test_drains_planned_for_nine_litres_follow_the_power_law():
    plan = plan_exchange(UnitCard(9.0, 4.0), ["repeated drain-and-refill"], 0.90).plans[0]
    assert plan.drains == 4
    assert 1.0 - plan.fresh_share == pytest.approx(0.095260, abs=1e-6)


@given(st.floats(2.0, 60.0), st.floats(0.3, 0.95), st.floats(0.1, 0.97))
def test_the_number_of_drains_is_the_logarithm_of_the_dilution(total_l, drain_share, target):
    exact = math.log(1.0 - target) / math.log(1.0 - drain_share)
    assume(1.05 < exact < 6.0 and abs(exact - round(exact)) > 1e-6)
    card = UnitCard(total_l, drain_share * total_l)
    plan = plan_exchange(card, ["repeated drain-and-refill"], target).plans[0]
    assert plan.drains == math.ceil(exact)
    assert plan.reaches_target


# Bird, Stewart & Lightfoot, Transport Phenomena, problem 2D.2 (Jeffreys' law of a draining film): thickness
# sqrt(nu z / (g t)), volume 2/3 A sqrt(nu L / (g t)).
def film_ml(nu_mm2_s, wetted_m2, height_m, minutes):
    return 2 / 3 * wetted_m2 * 1e6 * math.sqrt(nu_mm2_s * 1e-6 * height_m / (G_M_S2 * 60.0 * minutes))


# Values computed from that law: viscosity 30 mm²/s, 0.2 m: 67.309 mL per m² after a minute; at 60 °C an oil of 30 and
# 6.0 mm²/s on 0.35 m² and 0.25 m keeps 8.456, 5.979, 4.228 and 2.990 mL after 5, 10, 20 and 40 min.
def test_the_film_on_a_wall_is_a_matter_of_millilitres():
    assert film_ml(30.0, 1.0, 0.2, 1.0) == pytest.approx(67.309, abs=1e-3)
    nu = kinematic_viscosity(60.0, 30.0, 6.0)
    films = [film_ml(nu, 0.35, 0.25, minutes) for minutes in (5, 10, 20, 40)]
    assert films == pytest.approx((8.456, 5.979, 4.228, 2.990), rel=1e-3)


# So the two litres and more that leave an automatic box overnight are no film: they drain back out of its parts. Even
# a square metre of wall holds less than 3 % of them ten minutes after the plug came out.
def test_what_leaves_overnight_is_drain_back_and_not_film(tb6):
    curve = fit_drain_curve(tb6.quick_drain_l, tb6.overnight_drain_l)
    later_ml = 1000.0 * (drained_l(1440, 70, 18, curve) - drained_l(10, 70, 18, curve))
    assert film_ml(kinematic_viscosity(70.0), 1.0, 0.3, 10.0) < 0.03 * later_ml


# The film law knows time only as nu / t, and so does the drain: equal draining at 20 °C takes 7.7556 times as long as
# at 80 °C (viscosities 30 and 6.0 mm²/s, 71.011 against 9.156), the film being 2.7849 times as thick at equal time.
def test_cold_oil_drains_slower_by_the_ratio_of_viscosities():
    ratio = minutes_at_60c(10, 80, 80, 30.0, 6.0) / minutes_at_60c(10, 20, 20, 30.0, 6.0)
    assert ratio == pytest.approx(7.7556, rel=1e-3)
    assert math.sqrt(ratio) == pytest.approx(2.7849, rel=1e-3)
    curve = fit_drain_curve(3.6, 6.1)
    hot_l, cold_l = (
        drained_l(minutes, temp_c, temp_c, curve, 30.0, 6.0)
        for minutes, temp_c in ((20.0, 80.0), (20.0 * ratio, 20.0))
    )
    assert hot_l == pytest.approx(cold_l)


@st.composite
def cards(draw):
    sump_l = draw(st.floats(2.0, 12.0))
    pickup_l = draw(st.floats(0.1, 0.8)) * sump_l
    converter_l, cooler_l, passages_l = (draw(st.floats(low, 8.0)) for low in (0.8, 0.3, 0.8))
    card = UnitCard(
        total_fill_l=sump_l + converter_l + cooler_l + passages_l,
        quick_drain_l=0.9 * sump_l,
        sump_l=sump_l,
        converter_l=converter_l,
        cooler_l=cooler_l,
        passages_l=passages_l,
        heel_l=0.1 * sump_l,
        converter_drainback_l=0.2 * converter_l,
        passages_drainback_l=0.3 * passages_l,
        pickup_l=pickup_l,
        swirl_l=draw(st.floats(0.0, 0.15)) * sump_l,
        turnover=draw(st.floats(0.0, 4.0)),
        bleed=draw(st.floats(0.0, 0.5)),
        cooler_flow_l_min=draw(st.floats(1.0, 4.0)),
        jug_mark_l=draw(st.sampled_from([0.1, 0.25, 0.5])),
    )
    check_card(card)
    return card


@settings(max_examples=40, deadline=None)
@given(cards(), st.floats(0.2, 1.5), st.sampled_from(["none", "quick drain"]))
def test_no_stage_of_any_unit_lets_the_pump_run_dry(card, fills, start):
    limit = stage_limit(card)
    drained = card.quick_drain_l if start == "quick drain" else 0.0
    run = simulate(card, COOLER_LINE, drained + fills * card.total_fill_l, start=start, slice_l=0.05)
    if limit.litres == 0.0:
        assert not run.is_allowed
        assert run.fresh_share is None
        assert run.reason
        return
    assert run.is_allowed
    floor_l = card.pickup_l + card.swirl_l
    assert all(stage.sump_after_l >= floor_l - 1e-9 for stage in run.stages)
    assert run.lowest_sump_l >= floor_l - 1e-9
    assert all(stage.litres <= limit.litres + 1e-9 for stage in run.stages)
    assert run.total_volume_l == pytest.approx(card.total_fill_l, abs=1e-9)
    assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
    assert 0.0 <= run.fresh_share < 1.0


@settings(max_examples=40, deadline=None)
@given(cards(), st.floats(0.2, 2.0))
def test_halving_the_step_hardly_moves_the_share_of_any_unit(card, fills):
    assume(stage_limit(card).litres > 0.0)
    litres = [fills * card.total_fill_l]
    coarse, fine = (
        share_curve(card, COOLER_LINE, litres, start="none", turned_in_a_step=step)[0, 0]
        for step in (0.1, 0.05)
    )
    assert coarse == pytest.approx(fine, abs=1e-6)


@given(st.floats(0.5, 60.0), st.floats(-30.0, 140.0), st.floats(-30.0, 140.0), st.floats(-30.0, 140.0))
def test_a_volume_brought_there_and_back_is_the_same(litres, first_c, second_c, third_c):
    there = volume_at(litres, first_c, second_c)
    assert volume_at(there, second_c, first_c) == pytest.approx(litres)
    assert volume_at(there, second_c, third_c) == pytest.approx(volume_at(litres, first_c, third_c))
    if abs(first_c - second_c) > 0.01:
        assert (there > litres) == (second_c > first_c)


@given(
    st.floats(1.0, 30.0),
    st.floats(0.01, 0.6),
    st.floats(0.01, 0.5),
    st.floats(0.05, 2.0),
    st.floats(0.0, 0.9),
)
def test_the_first_fill_keeps_its_risk_unless_a_mark_limits_it(need_l, u_l, risk, band_l, least_share):
    fill = first_fill_l(need_l, u_l, risk, band_l=band_l, least_l=least_share * need_l)
    assert 0.0 <= fill.guard_l <= fill.wanted_guard_l + 1e-12
    assert fill.first_fill_l + fill.guard_l == pytest.approx(need_l)
    chance = overfill_probability(fill.first_fill_l, need_l, u_l)
    if fill.limited_by is None:
        assert chance == pytest.approx(risk, abs=1e-9)
    else:
        assert risk <= chance <= 0.5 + 1e-9


# Common practice, no source: a cold box must read low on the stick.
@given(st.floats(-30.0, 120.0), st.floats(0.5, 40.0), st.floats(-20.0, 20.0))
def test_a_colder_box_reads_lower_and_the_right_reading_has_no_excess(tb6, temp_c, warmer, off_mm):
    right_mm = stick_offset_mm(temp_c, tb6)
    assert right_mm < stick_offset_mm(min(temp_c + warmer, 149.0), tb6)
    assert excess_ml(right_mm, temp_c, tb6) == pytest.approx(0.0, abs=1e-9)
    assert excess_ml(right_mm + off_mm, temp_c, tb6) == pytest.approx(25.0 * off_mm, abs=1e-6)
