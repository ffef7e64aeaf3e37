"""Jug, drum or tank: the worked example of the trade, and what must hold between the sizes."""

import itertools

import pytest

from shop.planning.pack_costs import Container, break_even_l, compare_containers

RATE = 58.0
JUG = Container("5 L", 5, 8.80, 1.5, 0.04, 0.0, 12)
DRUM = Container("208 L", 208, 1340 / 208, 0.5, 0.12, 240.0, 12)


def test_the_worked_example():
    """5 L pack at 10.29 a litre against a drum at 7.05 and 240 a year; common practice, no source, worked by hand."""
    assert JUG.cost_per_l(RATE) == pytest.approx(8.80 + 1.5 * 58 / 60 + 0.04)
    assert round(JUG.cost_per_l(RATE), 2) == 10.29
    assert round(DRUM.cost_per_l(RATE), 2) == 7.05
    assert round(break_even_l(JUG, DRUM, RATE)) == 74
    assert DRUM.least_l_per_year == 208
    row = compare_containers([DRUM, JUG], 150, RATE).rows[1]
    assert (round(row.break_even_l), row.from_l, row.is_emptied) == (74, 208, False)


@pytest.mark.parametrize(("litres", "chosen"), [(60, "5 L"), (150, "5 L"), (207, "5 L"), (209, "208 L")])
def test_a_drum_not_emptied_in_time_is_not_chosen(litres, chosen):
    assert compare_containers([JUG, DRUM], litres, RATE).best.container.label == chosen


def test_at_the_break_even_both_cost_the_same():
    slow = Container("208 L", 208, 1340 / 208, 0.5, 0.12, 240.0, None)
    even = break_even_l(JUG, slow, RATE)
    costs = [row.cost for row in compare_containers([JUG, slow], even, RATE).rows]
    assert costs[0] == pytest.approx(costs[1])


@pytest.mark.parametrize("litres", [1, 30, 74, 120, 207, 208, 500, 3000])
def test_the_chosen_one_costs_least_of_those_emptied(litres):
    tank = Container("tank", 1500, 5.10, 0.2, 0.02, 900.0, 24)
    found = compare_containers([JUG, DRUM, tank], litres, RATE)
    assert all(found.best.cost <= row.cost for row in found.rows if row.is_emptied)
    assert [row.container.size_l for row in found.rows] == [5, 208, 1500]
    for row in found.rows:
        assert row.cost == pytest.approx(
            litres * row.cost_per_l
            + row.container.fixed_per_year
            + row.thrown_away_l * row.container.price_per_l
        )


def test_what_is_thrown_away_is_what_a_pack_a_life_leaves():
    """A 20 L pack, opened life 6 months, 10 L a year: two packs opened, 30 L of the 40 thrown away."""
    can = Container("20 L", 20, 9.0, 1.0, 0.0, 0.0, 6)
    assert can.thrown_away_l(10) == 30
    assert can.thrown_away_l(40) == 0
    only = compare_containers([can], 10, RATE)
    assert not only.best.is_emptied
    assert "no size is emptied" in only.reason


def test_a_size_that_is_never_cheaper_has_no_break_even():
    assert break_even_l(DRUM, JUG, RATE) is None
    assert break_even_l(JUG, Container("60 L", 60, 7.0, 1.0, 0.04), RATE) == 0


@pytest.mark.parametrize(
    ("name", "value"),
    list(
        itertools.product(
            ["price_per_l", "minutes_per_l", "loss_per_l", "fixed_per_year"], [-1.0, float("nan")]
        )
    ),
)
def test_figures_no_container_has_are_refused(name, value):
    figures = {
        "price_per_l": 1.0,
        "minutes_per_l": 1.0,
        "loss_per_l": 0.0,
        "fixed_per_year": 0.0,
        name: value,
    }
    with pytest.raises(ValueError, match="correct them"):
        Container("can", 20, **figures)


def test_nothing_to_compare_and_no_litres_are_refused():
    with pytest.raises(ValueError, match="add a pack"):
        compare_containers([], 100, RATE)
    with pytest.raises(ValueError, match="above 0"):
        compare_containers([JUG], 0, RATE)
    with pytest.raises(ValueError, match="size is above"):
        Container("none", 0, 1, 1, 0)
