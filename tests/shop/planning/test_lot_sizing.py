"""Lots over time against published cases, a general solver and plain enumeration."""

from decimal import Decimal
from itertools import product as every
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import LitresAhead, LotSizing, Offer, plan_lots

LITRE = (Pack(1.0, Decimal(1), "1 L"),)


def classic(demand: list[float], order_cost: list[float], holding: float) -> tuple[float, dict[int, float]]:
    """Return the cost without the litres' own price, and the lots by week; one pack of one litre at a price of 1."""
    drawn = np.cumsum(np.array(demand, dtype=float))
    ahead = LitresAhead(drawn, drawn, np.zeros(len(demand)), holding)
    plan = plan_lots(ahead, [Offer("one", LITRE, np.array(order_cost, dtype=float))])
    assert plan is not None
    return plan.cost - float(drawn[-1]), {lot.week + 1: lot.litres for lot in plan.lots}


def test_wagner_and_whitin_1958():
    """Management Science 5(1), 89-96: twelve months, set-up cost of its own in each (data from memory)."""
    demand = [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56]
    set_up = [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114]
    costs = [85, 114, 186, 277, 348, 400, 469, 555, 600, 710, 789, 864]
    for months in range(1, 13):
        cost, _ = classic(demand[:months], set_up[:months], 1.0)
        assert cost == pytest.approx(costs[months - 1])
    assert classic(demand, set_up, 1.0)[1] == {1: 98, 3: 97, 5: 121, 8: 112, 10: 67, 11: 135}


def test_snyder_and_shen_example():
    """Fundamentals of Supply Chain Theory, example 3.9, as in the docstrings of stockpyl 1.0.2."""
    assert classic([90, 120, 80, 70], [500] * 4, 2.0) == (1380.0, {1: 210, 3: 150})


@pytest.mark.parametrize(
    ("demand", "order_cost", "holding", "best"),
    [
        # Silver and Peterson, twelve months (data from memory): Silver-Meal finds the optimum too.
        ([10, 62, 12, 130, 154, 129, 88, 52, 124, 160, 238, 41], 54.0, 0.40, 501.20),
        # A worked example of the Silver-Meal heuristic in teaching text: lots of 48, 47 and 20.
        ([18, 30, 42, 5, 20], 80.0, 2.0, 310.0),
    ],
)
def test_textbook_cases(demand, order_cost, holding, best):
    assert classic(demand, [order_cost] * len(demand), holding)[0] == pytest.approx(best)


PACKS = (Pack(1.0, Decimal("10.40"), "1 L"), Pack(5.0, Decimal(44), "5 L"), Pack(20.0, Decimal(158), "20 L"))


def by_solver(drawn: np.ndarray, holding: float, order_costs: np.ndarray, packs: tuple[Pack, ...]) -> float:
    """Return the least cost by scipy's mixed-integer solver (HiGHS): packs by week, orders yes or no, stock."""
    weeks, sizes = len(drawn), len(packs)
    count, orders, stock = weeks * sizes, weeks, weeks
    price = np.tile([float(pack.price) for pack in packs], weeks)
    is_open = np.isfinite(order_costs)
    cost = np.concatenate([price, np.where(is_open, order_costs, 0.0), np.full(stock, holding)])
    rows, low, high = [], [], []
    for week in range(weeks):
        row = np.zeros(count + orders + stock)
        row[: (week + 1) * sizes] = np.tile([pack.size_l for pack in packs], week + 1)
        row[count + orders + week] = -1.0
        rows.append(row)
        low.append(drawn[week])
        high.append(drawn[week])
        row = np.zeros(count + orders + stock)
        row[week * sizes : (week + 1) * sizes] = 1.0
        row[count + week] = -1_000.0 * is_open[week]
        rows.append(row)
        low.append(-inf)
        high.append(0.0)
    whole = np.concatenate([np.ones(count + orders), np.zeros(stock)])
    upper = np.concatenate([np.full(count, 100.0), np.ones(orders), np.full(stock, inf)])
    found = milp(cost, constraints=LinearConstraint(np.array(rows), low, high), integrality=whole,
                 bounds=Bounds(np.zeros(len(cost)), upper), options={"mip_rel_gap": 0.0})  # fmt: skip
    assert found.success
    return float(found.fun)


@settings(max_examples=30, deadline=None)
@given(
    demand=st.lists(st.integers(0, 30), min_size=2, max_size=6),
    fixed=st.sampled_from([0.0, 12.0, 60.0]),
    holding=st.sampled_from([0.05, 0.5]),
    closed=st.sets(st.integers(1, 5), max_size=2),
)
def test_real_packs_and_closed_weeks_against_a_general_solver(demand, fixed, holding, closed):
    drawn = np.cumsum(np.array(demand, dtype=float))
    costs = np.array([inf if week in closed else fixed for week in range(len(demand))])
    plan = plan_lots(LitresAhead(drawn, drawn, np.zeros(len(demand)), holding), [Offer("one", PACKS, costs)])
    assert plan is not None
    assert plan.cost == pytest.approx(by_solver(drawn, holding, costs, PACKS), abs=1e-5)
    assert plan.cost == pytest.approx(
        plan.packs_cost + plan.orders_cost + plan.holding_cost - plan.left_over_worth
    )
    assert (plan.shelf_l >= -1e-9).all()


@settings(max_examples=40, deadline=None)
@given(
    demand=st.lists(st.integers(0, 9), min_size=3, max_size=4),
    life_weeks=st.sampled_from([None, 1, 2]),
    most_l=st.sampled_from([None, 10.0]),
    worth=st.sampled_from([0.0, 5.0]),
)
def test_life_and_room_against_plain_enumeration(demand, life_weeks, most_l, worth):
    """Two offers, one only from the second week on; every plan of up to three small packs a week is tried."""
    packs = ((Pack(2.0, Decimal(9), "2 L"),), (Pack(5.0, Decimal(17), "5 L"),))
    drawn = np.cumsum(np.array(demand, dtype=float))
    weeks = len(demand)
    costs = [np.full(weeks, 3.0), np.concatenate([[inf], np.full(weeks - 1, 4.0)])]
    ahead = LitresAhead(drawn, drawn, np.zeros(weeks), 0.25, life_weeks, most_l, worth)
    plan = plan_lots(ahead, [Offer("small", packs[0], costs[0]), Offer("big", packs[1], costs[1])])
    assert plan is not None
    if any(lot.is_over_limit for lot in plan.lots):
        return
    mean = drawn[-1] / weeks

    def fits(week: int, bought: float) -> bool:
        if most_l is not None and bought - (drawn[week - 1] if week else 0.0) > most_l + 1e-9:
            return False
        if life_weeks is None:
            return True
        until = week + life_weeks - 1
        used = drawn[until] if until < weeks else drawn[-1] + (until - weeks + 1) * mean
        return bought <= used + 1e-9

    best = inf
    choices = [(0, 0)] + [(0, n) for n in range(1, 6)] + [(1, n) for n in range(1, 4)]
    for picks in every(choices, repeat=weeks):
        bought = cost = 0.0
        for week, (place, n) in enumerate(picks):
            if n:
                bought += n * packs[place][0].size_l
                cost += n * float(packs[place][0].price) + costs[place][week]
                if not fits(week, bought):
                    cost = inf
            if bought < drawn[week] - 1e-9 or cost >= best:
                cost = inf
                break
            cost += 0.25 * (bought - drawn[week])
        if cost < inf:
            usable = inf if life_weeks is None else mean * life_weeks
            best = min(best, cost - worth * min(bought - drawn[-1], usable))
    assert plan.cost <= best + 1e-6
    if best < inf:
        assert all(
            fits(lot.week, sum(own.litres for own in plan.lots if own.week <= lot.week)) for lot in plan.lots
        )


def test_what_no_offer_reaches_in_time_has_no_plan():
    drawn = np.array([5.0, 5.0])
    late = np.array([inf, 1.0])
    assert plan_lots(LitresAhead(drawn, drawn, np.zeros(2)), [Offer("late", PACKS, late)]) is None


def test_sizes_without_a_common_measure_are_refused():
    odd = (Pack(0.946352946, Decimal(9), "1 US qt"), Pack(208.0, Decimal(1340), "208 L"))
    drawn = np.full(3, 100.0)
    with pytest.raises(ValueError, match="too fine to plan"):
        plan_lots(LitresAhead(drawn, drawn, np.zeros(3)), [Offer("odd", odd, np.ones(3))])


def test_a_lot_smaller_than_the_least_is_not_bought():
    drawn = np.array([3.0, 6.0, 60.0])
    costs = np.full(3, 1.0)
    sizing = LotSizing(LitresAhead(drawn, drawn, np.zeros(3), 5.0), [Offer("one", PACKS, costs)])
    plan = sizing.best([costs], {(0, 0): 40.0})
    assert plan.lots[0].litres >= 40.0
    assert sizing.best([costs]).lots[0].litres < 40.0


def test_a_steady_draw_is_bought_in_the_economic_quantity():
    """Snyder and Shen, example 3.1 (stockpyl 1.0.2): K 8, h 0.225 a year, 1,300 a year: Q 304.05, cost 68.41 a year.

    In weeks of 25 the nearest lots are 300 and 325; holding counts at each week's end, half a week's draw less.
    """
    weeks = 520
    cost, lots = classic([25.0] * weeks, [8.0] * weeks, 0.225 / 52)
    by_year = cost / (weeks / 52)
    half_week = 0.225 * 25.0 / 2
    assert by_year + half_week == pytest.approx(68.41052550594829, rel=0.002)
    assert set(lots.values()) <= {275.0, 300.0, 325.0}
