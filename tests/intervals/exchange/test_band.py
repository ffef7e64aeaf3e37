"""The band around a share: inside the two bounds of the text books, and the plan's own figures on its curve."""

from dataclasses import fields, replace
from time import process_time

import pytest

from intervals.errors import QuantityError
from intervals.exchange.band import BLEEDS, TURNOVERS, share_band
from intervals.exchange.card import UnitCard
from intervals.exchange.catalogue import METHODS
from intervals.exchange.methods import plan_exchange
from intervals.exchange.shares import plug_share, stirred_share

BOX = UnitCard(
    11.2, 3.6, 6.1, sump_l=4.0, converter_l=3.2, cooler_l=0.9, passages_l=3.1, heel_l=0.4, converter_drainback_l=0.9,
    passages_drainback_l=1.6, pickup_l=1.4, swirl_l=0.3, cooler_flow_l_min=2.5,
)  # fmt: skip
BARE = UnitCard(11.2, 3.6, 6.1)
LITRES = [6.1, 8.0, 10.1, 12.0, 16.0, 22.0]


@pytest.mark.parametrize("card", [BOX, BARE])
def test_the_band_is_ordered_and_rises_with_the_litres(card):
    band = share_band(card, "cooler-line exchange", "overnight drain", LITRES)
    for least, low, best, most in zip(band.least, band.low, band.best, band.most, strict=True):
        assert least <= low + 1e-12
        assert least <= best <= most
    for row in (band.least, band.low, band.best, band.most):
        assert list(row) == sorted(row)


def test_without_parts_the_band_ends_at_the_two_bounds():
    """Levenspiel, Chemical Reaction Engineering: stirred tank below, plug flow above."""
    band = share_band(BARE, "cooler-line exchange", "overnight drain", LITRES)
    assert band.least == pytest.approx([stirred_share(6.1, v - 6.1, 11.2) for v in LITRES])
    assert band.most == pytest.approx([plug_share(6.1, v - 6.1, 11.2) for v in LITRES])


def test_the_plans_figures_lie_on_the_curve():
    for target in (0.70, 0.75, 0.85):
        for plan in plan_exchange(BOX, ["cooler-line exchange", "machine exchange"], target).plans:
            stage_l = plan.stages[0] if plan.method == "cooler-line exchange" else None
            band = share_band(BOX, plan.method, plan.start, [plan.new_fluid_l], stage_l)
            if stage_l is not None:
                assert (band.best[0], band.low[0]) == pytest.approx(
                    (plan.fresh_share, plan.fresh_share_low), abs=1e-9
                )
            assert band.best[0] == pytest.approx(plan.fresh_share, abs=5e-4)


def test_the_mixing_cases_are_the_planners():
    assert (len(TURNOVERS), len(set(zip(TURNOVERS, BLEEDS, strict=True)))) == (25, 25)
    assert (min(TURNOVERS), max(TURNOVERS), min(BLEEDS), max(BLEEDS)) == pytest.approx((0.4, 3.6, 0.05, 0.45))


def test_drains_are_lines_without_a_band():
    """Dilution power: three drains of 3.6 of 11.2 L leave (1 - 3.6/11.2)^3 old."""
    band = share_band(BOX, "repeated drain-and-refill", "quick drain", [3.6, 7.2, 10.8])
    assert band.least == band.most == pytest.approx([1 - (1 - 3.6 / 11.2) ** n for n in (1, 2, 3)])
    assert share_band(BOX, "overnight drain", "overnight drain", [6.1]).best[0] == pytest.approx(6.1 / 11.2)


@pytest.mark.parametrize(
    ("method", "start", "litres"),
    [
        ("cooler-line exchange", "overnight drain", [3.0]),
        ("drain-and-refill", "quick drain", [5.0]),
        ("repeated drain-and-refill", "quick drain", [200.0]),
        ("machine exchange", "quick drain", [float("nan")]),
        ("rinse", "quick drain", [5.0]),
    ],
)
def test_litres_the_method_cannot_take_are_refused(method, start, litres):
    with pytest.raises(QuantityError):
        share_band(BOX, method, start, litres)


def seconds_of_an_answer(card):
    begun = process_time()
    for plan in plan_exchange(card, list(METHODS), 0.85).plans:
        if plan.method in ("cooler-line exchange", "machine exchange") and plan.is_feasible:
            litres = [plan.drained_l + i * card.total_fill_l / 30 for i in range(49)]
            share_band(card, plan.method, plan.start, litres)
    return process_time() - begun


# The budget, eight times a small unit's time, is a house default: two to three times was seen.
def test_a_unit_of_400_litres_is_answered_about_as_quickly_as_a_small_one():
    litres = {f.name: getattr(BOX, f.name) for f in fields(BOX) if f.name.endswith("_l")}
    large = replace(
        BOX, **{name: v and 400.0 / 11.2 * v for name, v in litres.items() if name != "jug_mark_l"}
    )
    seconds_of_an_answer(BOX)
    small_s, large_s = (min(seconds_of_an_answer(card) for _ in range(3)) for card in (BOX, large))
    assert large_s < 8.0 * small_s
