import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from intervals.errors import CardError, QuantityError
from intervals.exchange.acceptance import pack_error_sources
from intervals.exchange.card import UnitCard
from intervals.exchange.done import share_of_done
from intervals.exchange.first_fill import combined_u, first_fill_l, need_model, need_spread
from intervals.exchange.propagation import Input, Uncertainty, monte_carlo
from intervals.exchange.spread import done_spread, share_inputs, share_model, share_percent, share_spread

PLAIN = UnitCard(total_fill_l=11.2, quick_drain_l=3.6, overnight_drain_l=6.1)
LINE = "overnight drain + cooler-line exchange"
BUDGET = {"new_fluid_l": Uncertainty(0.2), "total_fill_l": Uncertainty(0.4)}

# Worked job, reference calculation.
MEASURED = {"tray_l": 6.1, "jug_l": 4.0, "jug_c": 70.0, "arrival_mm": -4.0, "ml_per_mm": 25.0}
LIMITS = {
    "tray_l": Uncertainty(0.05 * 6.1),
    "jug_l": Uncertainty(0.03 * 4.0),
    "jug_c": Uncertainty(5.0),
    "pack_error_l": Uncertainty(0.015 * 10.0),
    "arrival_mm": Uncertainty(5.0),
}


# The drained share is a quotient: its relative uncertainty is the root of the squared relative ones (GUM 5.1.6).
def test_one_drain_is_a_quotient():
    got = share_spread(PLAIN, "drain-and-refill", 3.6, BUDGET)
    reference = ufloat(3.6, 0.2 / math.sqrt(3)) / ufloat(11.2, 0.4 / math.sqrt(3))
    assert got.value == pytest.approx(reference.n)
    assert got.sd == pytest.approx(reference.s, rel=1e-3)
    assert got.low == pytest.approx(reference.n - 1.96 * reference.s, abs=1e-4)
    assert got.high == pytest.approx(reference.n + 1.96 * reference.s, abs=1e-4)


# Reference library: `uncertainties`, power law of repeated drains, 1 - (1 - D/V)^n.
def test_repeated_drains_agree_with_the_reference_library():
    got = share_spread(PLAIN, "repeated drain-and-refill", 10.8, BUDGET)
    reference = 1 - (1 - ufloat(10.8, 0.2 / math.sqrt(3)) / 3 / ufloat(11.2, 0.4 / math.sqrt(3))) ** 3
    assert got.value == pytest.approx(0.6875, abs=5e-5)
    assert got.sd == pytest.approx(reference.s, rel=2e-3)


@pytest.mark.parametrize(
    "title",
    ["drain-and-refill", "repeated drain-and-refill", LINE, "quick drain + machine exchange", "bleed"],
)
def test_the_law_agrees_with_drawing_all_figures(tb6, title):
    budget = BUDGET | {"quick_drain_l": Uncertainty(0.2, "normal")}
    if "exchange" in title:
        budget |= {"turnover": Uncertainty(1.5), "converter_l": Uncertainty(0.3, "triangular")}
    litres = 3.4 if title == "drain-and-refill" else 10.1
    law = share_spread(tb6, title, litres, budget)
    drawn = monte_carlo(share_model(tb6, title), share_inputs(tb6, title, litres, budget), 1500)
    # A share bends a little with the turnover, which the law, being linear, leaves out of the mean.
    assert law.value == pytest.approx(drawn.mean, abs=0.005)
    assert law.sd == pytest.approx(drawn.sd, rel=0.06)
    assert (law.low, law.high) == pytest.approx((drawn.low, drawn.high), abs=0.012)


def test_a_card_without_parts_agrees_with_drawing_too():
    budget = BUDGET | {"overnight_drain_l": Uncertainty(0.25)}
    law = share_spread(PLAIN, LINE, 10.1, budget)
    drawn = monte_carlo(share_model(PLAIN, LINE), share_inputs(PLAIN, LINE, 10.1, budget), 4000)
    assert law.sd == pytest.approx(drawn.sd, rel=0.05)
    assert "mixing" in law.parts


# Reference calculation: mixing 0.4 and 0.8 give 0.8136 and 0.7255, so the mixing alone is half of that over root 3.
def test_unknown_mixing_is_counted_without_being_asked_for():
    got = share_spread(PLAIN, LINE, 10.1, {})
    assert got.value == pytest.approx(0.7696, abs=5e-5)
    assert got.sd == pytest.approx((0.8136 - 0.7255) / 2 / math.sqrt(3), abs=1e-4)
    assert got.parts["mixing"] < 0.0


# Reference calculation: 0.773; turnover 0 to 4 moves it from 0.761 to 0.776, bleed 0.5 down to 0.761.
def test_known_parts_make_the_share_surer(tb6):
    with_parts = share_spread(tb6, LINE, 10.1, {})
    assert with_parts.value == pytest.approx(0.773, abs=0.001)
    assert 0.003 < with_parts.sd < 0.012
    assert with_parts.sd < share_spread(PLAIN, LINE, 10.1, {}).sd


@pytest.mark.parametrize("title", [LINE, "drain-and-refill", "bleed", "cycle and tank"])
def test_the_best_estimate_is_the_share_of_a_finished_job(tb6, title):
    litres = 3.4 if title == "drain-and-refill" else 10.1
    for card in (tb6, PLAIN):
        got = share_spread(card, title, litres, BUDGET).value
        assert got == pytest.approx(share_of_done(card, title, litres).share, abs=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.floats(6.5, 16.0), st.floats(0.0, 0.5), st.floats(0.0, 0.8), st.floats(1.0, 3.0))
def test_a_wider_budget_never_gives_a_narrower_spread(tb6, litres, pour, fill, wider):
    for card in (PLAIN, tb6):
        first, second = (
            share_spread(
                card,
                LINE,
                litres,
                {"new_fluid_l": Uncertainty(k * pour), "total_fill_l": Uncertainty(k * fill)},
            )
            for k in (1.0, wider)
        )
        assert 0.0 <= second.low <= first.low + 2e-3 <= first.value + 2e-3
        assert first.value <= first.high <= second.high + 2e-3 <= 1.0 + 2e-3
        assert second.sd >= first.sd - 1e-3


# Reference calculation: tray 0.176, jug 0.069, jug temperature 0.009, packs 0.087, level 0.072, together 0.220 L.
def test_the_litres_of_the_worked_job_have_the_budget_of_the_worked_job():
    got = need_spread(MEASURED, LIMITS)
    assert got.value == pytest.approx(10.050, abs=6e-4)
    parts = [abs(got.parts[name]) for name in ("tray_l", "jug_l", "jug_c", "pack_error_l", "arrival_mm")]
    # The jug is corrected to 20 °C, so its 0.069 counts as 0.067.
    assert parts == pytest.approx([0.176, 0.067, 0.009, 0.087, 0.072], abs=6e-4)
    assert got.sd == pytest.approx(0.220, abs=1e-3)
    assert first_fill_l(got.value, got.sd).first_fill_l == pytest.approx(9.69, abs=0.005)


def test_the_litres_agree_with_drawing_all_figures():
    from_law = need_spread(MEASURED, LIMITS)
    figures = {"tray_c": 20.0, "pack_error_l": 0.0} | MEASURED
    inputs = [Input(name, value, LIMITS.get(name, Uncertainty(0.0))) for name, value in figures.items()]
    drawn = monte_carlo(need_model(), inputs)
    assert from_law.sd == pytest.approx(drawn.sd, rel=0.02)
    assert from_law.value == pytest.approx(drawn.mean, abs=0.005)


# Reference calculation: packs of the prepacked-goods class, 0.087 L for two packs of 5 L.
def test_two_packs_of_one_filler_are_off_together():
    assert combined_u(pack_error_sources([5.0, 5.0])) == pytest.approx(0.087, abs=5e-4)


def test_what_cannot_be_spread_says_why(tb6):
    with pytest.raises(QuantityError, match="allowed are"):
        share_spread(PLAIN, LINE, 10.1, {"sump_l": Uncertainty(0.1)})
    with pytest.raises(QuantityError, match="allowed are"):
        share_spread(tb6, LINE, 10.1, {"mixing": Uncertainty(0.1)})
    with pytest.raises(QuantityError, match="allowed are"):
        share_spread(UnitCard(2.3), "drain-and-refill", 2.2, {"quick_drain_l": Uncertainty(0.1)})
    with pytest.raises(QuantityError, match="enter the litres"):
        share_spread(tb6, LINE, math.nan, {})
    with pytest.raises(QuantityError, match="no method"):
        share_spread(tb6, "flush", 10.1, {})
    with pytest.raises(CardError, match="more than"):
        share_spread(dataclasses.replace(PLAIN, quick_drain_l=12.0), LINE, 10.1, {})
    with pytest.raises(QuantityError, match="allowed are"):
        need_spread({"bucket_l": 3.0}, {})


# Reference library: `uncertainties`, litres that really went in over the total fill.
def test_a_finished_drain_is_as_sure_as_its_litres_and_the_card():
    card = dataclasses.replace(PLAIN, sources={"total_fill_l": "guess"})
    got = done_spread(card, "drain-and-refill", 3.5, Uncertainty(0.03 * 3.5))
    reference = ufloat(3.5, 0.105 / math.sqrt(3)) / ufloat(11.2, 0.2 * 11.2 / math.sqrt(3))
    assert got.value == pytest.approx(reference.n)
    assert got.sd == pytest.approx(reference.s, rel=0.03)


@pytest.mark.parametrize("title", [LINE, "quick drain + machine exchange", "bleed"])
def test_a_finished_exchange_agrees_with_drawing_all_figures(tb6, title):
    for card in (tb6, PLAIN):
        got = done_spread(card, title, 10.1, Uncertainty(0.3))
        budget = {"new_fluid_l": Uncertainty(0.3), "total_fill_l": Uncertainty(0.05 * 11.2)}
        if title != "bleed":
            start = "overnight_drain_l" if title == LINE else "quick_drain_l"
            budget[start] = Uncertainty(0.05 * getattr(card, start))
        drawn = monte_carlo(share_model(card, title), share_inputs(card, title, 10.1, budget), 1500)
        assert got.sd == pytest.approx(drawn.sd, rel=0.08)
        assert (got.low, got.high) == pytest.approx((drawn.low, drawn.high), abs=0.4 * drawn.sd)


# A normal law cut at one: its upper 2.5 % point from drawing, the draws beyond one thrown away.
def test_nearly_all_new_never_reads_as_all_new():
    axle = UnitCard(2.2, 2.1, sources={"total_fill_l": "maker", "quick_drain_l": "maker"})
    got = share_spread(
        axle, "drain-and-refill", 2.1, {"total_fill_l": Uncertainty(0.11), "new_fluid_l": Uncertainty(0.1)}
    )
    draws = np.random.default_rng(3).normal(got.value, got.sd, 200_000)
    low, high = np.quantile(draws[draws <= 1.0], [0.025, 0.975])
    assert (got.low, got.high) == pytest.approx((low, high), abs=0.002)
    assert share_percent(got.high) == "99%"
    assert (share_percent(1.0), share_percent(0.7734)) == ("100%", "77%")
