"""Waste tanks: when to call, and whether the litres add up."""

from datetime import date
from math import nan

import pytest

from shop.planning.waste import call_by, call_level_l, mass_balance

MONDAY = date(2026, 3, 2)


def test_call_level_agrees_with_the_reference():
    # Reference calculation: 1 000 L, 42 L a day, spread 24, lead 5.
    assert call_level_l(1000, 42, 24, 5) == pytest.approx(602, abs=0.5)


def test_call_level_is_the_stock_reorder_point_seen_from_the_brim():
    # Reorder point d*L + z*sd*sqrt(L): demand 10, spread 3, lead 9, 95 % gives 104.8037
    # (Snyder and Shen, Fundamentals of Supply Chain Theory; numbers from memory).
    assert 0.9 * 500 - call_level_l(500, 10, 3, 9, z=1.6448536) == pytest.approx(104.8037, abs=0.0005)


def test_a_tank_at_its_call_level_is_called_today():
    state = call_by(630, 1000, 42, 24, 5, MONDAY)
    assert (state.state, state.call_by) == ("call today", MONDAY)
    assert "602" in state.reason


def test_below_the_level_the_day_is_worked_out_at_the_mean_rate():
    state = call_by(490, 1000, 42, 24, 5, MONDAY)
    assert (state.state, state.call_by) == ("call by", date(2026, 3, 4))


def test_a_tank_that_does_not_fill_has_no_day():
    state = call_by(120, 208, 0.0, 0.0, 5, MONDAY)
    assert (state.state, state.call_by) == ("not filling", None)


def test_a_tank_too_small_for_the_lead_says_so():
    state = call_by(0.0, 100, 42, 24, 5, MONDAY)
    assert state.state == "call today"
    assert "too small" in state.reason


@pytest.mark.parametrize(
    ("place", "name"), [(0, "level"), (1, "capacity"), (2, "litres a day"), (3, "spread")]
)
@pytest.mark.parametrize("gap", [None, nan])
def test_a_figure_not_known_gives_cannot_say(place, name, gap):
    figures = [630.0, 1000.0, 42.0, 24.0]
    figures[place] = gap
    state = call_by(*figures, 5, MONDAY)
    assert (state.state, state.call_level_l, state.call_by) == ("cannot say", None, None)
    assert name in state.reason


def test_a_gap_in_the_balance_is_looked_at_beyond_a_tenth():
    # Reference calculation: 412 L expected, 363 L collected.
    gap = mass_balance(412, 363)
    assert (gap.gap_l, gap.is_to_look_at) == (49, True)
    assert gap.gap_share == pytest.approx(0.119, abs=0.0005)
    assert not mass_balance(412, 400).is_to_look_at
    assert mass_balance(412, 470).is_to_look_at
    assert mass_balance(0, 20) is None


def test_impossible_tanks_are_refused():
    with pytest.raises(ValueError, match="capacity"):
        call_level_l(0, 42, 24, 5)
    with pytest.raises(ValueError, match="0 or more"):
        mass_balance(-1, 5)
