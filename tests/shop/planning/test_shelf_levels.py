"""Standing levels against a textbook, a reference library, every rule of small cases, and a shelf lived through."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from shop.planning.shelf_levels import (
    Keeping,
    OrderTerms,
    PacksWanted,
    best_watched_level,
    best_weekly_level,
    packs_wanted,
    safe_level,
    short_cost,
)

ON_TIME = ((4.0, 0.75), (9.0, 0.25))


def sure(mean: float) -> PacksWanted:
    return PacksWanted((mean,), (1.0,))


@pytest.mark.parametrize(
    ("kept", "short", "order_cost", "rate", "lead", "level", "packs", "cost"),
    [
        (20, 150, 100, 1.5, 2, 3, 5, 107.92358063314975),
        (2, 38, 15, 0.9, 1.3, 1, 5, 9.992340082985354),
        (9.9, 188, 40, 0.2, 4, 1, 2, 27.639699715360873),
        (1, 19, 15, 12, 1.7, 22, 21, 23.566650201150335),
    ],
)
def test_the_watched_shelf_has_the_level_of_the_reference(
    kept: float,
    short: float,
    order_cost: float,
    rate: float,
    lead: float,
    level: int,
    packs: int,
    cost: float,
) -> None:
    """Snyder and Shen, Fundamentals of Supply Chain Theory, example 5.8; the others: stockpyl 1.0.2."""
    found = best_watched_level(rate, sure(rate * lead), Keeping(kept, short), OrderTerms(order_cost))
    assert found is not None
    assert (found.level, found.order_packs) == (level, packs)
    assert found.cost == pytest.approx(cost, rel=1e-12)


@pytest.mark.parametrize(
    ("kept", "short", "order_cost", "mean", "level", "up_to", "cost"),
    [
        (1, 4, 5, 6, 4, 10, 8.034111561471642),
        (1, 19, 15, 0.4, 0, 4, 3.9841264959265112),
        (1, 19, 15, 3, 3, 12, 10.936229421842473),
        (2, 38, 60, 1.2, 1, 9, 18.50607330840154),
        (0.5, 9.5, 2, 20, 23, 28, 6.882752684954163),
    ],
)
def test_the_weekly_look_has_the_levels_of_the_reference(
    kept: float, short: float, order_cost: float, mean: float, level: int, up_to: int, cost: float
) -> None:
    """Snyder and Shen, example 4.7; the others: stockpyl 1.0.2, s_s_discrete_exact. A period without a lead."""
    found = best_weekly_level(mean, sure(mean), Keeping(kept, short), OrderTerms(order_cost))
    assert found is not None
    assert (found.level, found.up_to) == (level, up_to)
    assert found.cost == pytest.approx(cost, rel=1e-12)


def cost_with(wanted: PacksWanted, keeping: Keeping, packs: int) -> float:
    """What a time costs with so many packs at hand and on the way, summed over every demand."""
    total = 0.0
    for mean, chance in zip(wanted.means, wanted.chances, strict=True):
        asked = np.arange(0, int(mean + 12 * math.sqrt(mean) + 40))
        over = np.maximum(packs - asked, 0) * keeping.kept + np.maximum(asked - packs, 0) * keeping.short
        total += chance * float(over @ poisson.pmf(asked, mean))
    return total


RATE = st.floats(0.05, 3.0)
MONEY = st.floats(0.2, 20.0)


@settings(max_examples=60, deadline=None)
@given(RATE, st.floats(0.1, 4.0), MONEY, st.floats(1.5, 30.0), st.floats(0.0, 60.0), st.integers(1, 5),
       st.integers(1, 3), st.integers(0, 2), st.integers(4, 14), st.floats(0.0, 30.0))  # fmt: skip
def test_no_other_watched_level_within_the_terms_is_cheaper(
    rate: float, lead: float, kept: float, dearer: float, order_cost: float, least: int, multiple: int, floor: int,
    most: int, freight: float,
) -> None:  # fmt: skip
    """Against every level and order within the limits."""
    wanted = PacksWanted((rate * lead, 2 * rate * lead), (0.7, 0.3))
    keeping = Keeping(kept, kept * dearer)
    terms = OrderTerms(order_cost, freight, 6, least, multiple, most, floor)
    costs = [0.0, *(cost_with(wanted, keeping, packs) for packs in range(1, most + 1))]
    every = {
        (level, packs): (terms.cost_of(packs) * rate + sum(costs[level + 1 : level + packs + 1])) / packs
        for packs in range(least, most + 1)
        if packs % multiple == 0
        for level in range(floor, most - packs + 1)
    }
    found = best_watched_level(rate, wanted, keeping, terms)
    if not every:
        assert found is None
        return
    assert found is not None
    assert (found.level, found.order_packs) in every
    assert found.cost == pytest.approx(min(every.values()), rel=1e-9)


def weekly_cost(rate: float, costs: list[float], order_cost: float, level: int, up_to: int) -> float:
    """The long-run cost a week of a rule, from the stationary distribution of the packs after ordering."""
    states = up_to - level
    moves = np.zeros((states, states))
    orders = np.zeros(states)
    for place in range(states):
        for asked in range(states - place):
            left = place + asked
            moves[place, left] += poisson.pmf(asked, rate)
        orders[place] = 1.0 - moves[place].sum()
        moves[place, 0] += orders[place]
    system = np.vstack([moves.T - np.eye(states), np.ones(states)])
    shares = np.linalg.lstsq(system, np.array([*[0.0] * states, 1.0]), rcond=None)[0]
    return float(shares @ (np.array([costs[up_to - place] for place in range(states)]) + order_cost * orders))


@settings(max_examples=40, deadline=None)
@given(RATE, st.floats(0.1, 3.0), MONEY, st.floats(1.5, 30.0), st.floats(0.0, 60.0), st.integers(1, 4),
       st.integers(0, 2), st.integers(4, 12))  # fmt: skip
def test_no_other_weekly_levels_within_the_terms_are_cheaper(
    rate: float, lead: float, kept: float, dearer: float, order_cost: float, least: int, floor: int, most: int
) -> None:
    """Against the stationary distribution of every pair of levels within the limits."""
    wanted = PacksWanted((rate * lead, 2 * rate * lead), (0.7, 0.3))
    keeping = Keeping(kept, kept * dearer)
    costs = [0.0, *(cost_with(wanted, keeping, packs) for packs in range(1, most + 1))]
    every = {
        (level, up_to): weekly_cost(rate, costs, order_cost, level, up_to)
        for level in range(floor, most)
        for up_to in range(level + least, most + 1)
    }
    terms = OrderTerms(order_cost, least_packs=least, most_packs=most, least_level=floor)
    found = best_weekly_level(rate, wanted, keeping, terms)
    if not every:
        assert found is None
        return
    assert found is not None
    assert found.cost == pytest.approx(min(every.values()), rel=1e-8)
    assert every[found.level, found.up_to] == pytest.approx(found.cost, rel=1e-8)


def test_a_shelf_lived_through_is_as_full_and_as_often_dry_as_said() -> None:
    """200 000 working days, packs asked for at random, orders that take four days or nine."""
    rate, level, packs = 0.25, 2, 3
    found = best_watched_level(
        rate, packs_wanted(rate, ON_TIME), Keeping(1, 4),
        OrderTerms(0.0, least_packs=packs, most_packs=level + packs, least_level=level),
    )  # fmt: skip
    assert found is not None
    dice, steps, days = random.Random(7), 10, 200_000
    at_hand, coming, dry, kept, orders = level + packs, [], 0, 0.0, 0
    for tick in range(days * steps):
        now = tick / steps
        while coming and coming[0][0] <= now:
            at_hand += coming.pop(0)[1]
        if dice.random() < rate / steps:
            at_hand -= 1
            if at_hand + sum(own for _, own in coming) <= level:
                orders += 1
                lead = 4.0 if dice.random() < 0.75 else 9.0
                arrives = max([now + lead, *(day for day, _ in coming)])
                coming.append((arrives, packs))
        dry += at_hand < 0
        kept += max(0, at_hand)
    ticks = days * steps
    assert orders / days == pytest.approx(found.orders, rel=0.03)
    assert kept / ticks == pytest.approx(found.on_shelf_packs, rel=0.02)
    assert dry / ticks == pytest.approx(found.dry_share, rel=0.1)


def test_the_price_of_lacking_is_where_the_level_reaches_the_service() -> None:
    """Zipkin, Foundations of Inventory Management (from memory): at the optimum P(D <= S) first reaches p/(p + h)."""
    short = short_cost(2.0, 0.95)
    assert short / (short + 2.0) == pytest.approx(0.95)
    found = best_watched_level(1.0, sure(6.0), Keeping(2.0, short), OrderTerms(0.0))
    assert found is not None
    assert found.up_to == poisson.ppf(0.95, 6.0)
    assert found.order_packs == 1


@pytest.mark.parametrize("rate", [0.004, 0.02, 0.3, 1.5])
def test_the_safe_level_is_the_quantile_of_what_is_asked_for(rate: float) -> None:
    assert safe_level(rate, ((6.0, 1.0),), 0.95) == poisson.ppf(0.95, rate * 6)
    weekly = safe_level(rate, ((6.0, 1.0),), 0.95, is_weekly=True)
    assert weekly == max(poisson.ppf(0.95, rate * 6), poisson.ppf(0.95, rate * 11) - 1)


def test_a_weekly_look_has_to_last_until_the_next_order_comes() -> None:
    wanted = packs_wanted(0.2, ON_TIME, is_weekly=True)
    assert len(wanted.means) == 10
    assert sum(wanted.chances) == pytest.approx(1.0)
    assert wanted.mean == pytest.approx(0.2 * (0.75 * 4 + 0.25 * 9 + 3))
    assert packs_wanted(0.2, ON_TIME).means == (0.8, 1.8)


def test_freight_and_cases_move_the_order() -> None:
    wanted, keeping = sure(0.2), Keeping(1.0, 19.0)
    plain = best_watched_level(1.0, wanted, keeping, OrderTerms(8.0))
    free = best_watched_level(1.0, wanted, keeping, OrderTerms(8.0, freight=25.0, free_from_packs=6))
    cases = best_watched_level(1.0, wanted, keeping, OrderTerms(8.0, multiple=6))
    assert plain is not None
    assert free is not None
    assert cases is not None
    assert (plain.order_packs, free.order_packs, cases.order_packs) == (4, 6, 6)


@pytest.mark.parametrize(
    ("rate", "keeping", "terms"),
    [
        (0.0, Keeping(1, 19), OrderTerms(15)),
        (math.nan, Keeping(1, 19), OrderTerms(15)),
        (1.0, Keeping(0, 19), OrderTerms(15)),
        (1.0, Keeping(1, 19), OrderTerms(-1)),
        (1.0, Keeping(1, 19), OrderTerms(15, least_packs=0)),
        (1.0, Keeping(1, 19), OrderTerms(15, least_level=-1)),
    ],
)
def test_figures_that_cannot_be_are_refused(rate: float, keeping: Keeping, terms: OrderTerms) -> None:
    for search in (best_watched_level, best_weekly_level):
        with pytest.raises(ValueError, match="correct them"):
            search(rate, sure(1.0), keeping, terms)


def test_an_order_up_to_a_number_needs_single_packs() -> None:
    with pytest.raises(ValueError, match="sold singly"):
        best_weekly_level(1.0, sure(1.0), Keeping(1, 19), OrderTerms(15, multiple=6))
