"""Orders of several fluids that share their weeks: between a proved bound and what a general solver finds best."""

from dataclasses import replace
from decimal import Decimal
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import LitresAhead
from shop.planning.order_plan import FluidAhead, PlannedOrder, Source, plan_orders
from shop.planning.steps import finished

SMALL = (Pack(5.0, Decimal(44), "5 L"), Pack(20.0, Decimal(158), "20 L"))
BIG = (Pack(20.0, Decimal(120), "20 L"), Pack(208.0, Decimal(980), "208 L"))
ONE = Source("one", 0, order_cost=25.0)


def ahead(demand: list[float], holding: float = 0.05, at_hand: float = 0.0) -> LitresAhead:
    drawn = np.cumsum(np.array(demand, dtype=float))
    return LitresAhead(drawn, drawn, np.full(len(demand), at_hand), holding)


def by_solver(
    demands: list[list[int]], packs: list[tuple[Pack, ...]], holding: float, order_cost: float
) -> float:
    """Return the least cost by scipy's mixed-integer solver (HiGHS), all fluids in one model."""
    weeks = len(demands[0])
    sizes = [(fluid, pack) for fluid, own in enumerate(packs) for pack in own]
    count, stock = weeks * len(sizes), weeks * len(demands)
    cost = np.concatenate(
        [
            np.tile([float(pack.price) for _, pack in sizes], weeks),
            np.full(weeks, order_cost),
            np.full(stock, holding),
        ]
    )
    rows, low, high = [], [], []
    for week in range(weeks):
        for fluid, demand in enumerate(demands):
            row = np.zeros(len(cost))
            row[: (week + 1) * len(sizes)] = np.tile(
                [pack.size_l if own == fluid else 0.0 for own, pack in sizes], week + 1
            )
            row[count + weeks + week * len(demands) + fluid] = -1.0
            rows.append(row)
            low.append(float(sum(demand[: week + 1])))
            high.append(low[-1])
        row = np.zeros(len(cost))
        row[week * len(sizes) : (week + 1) * len(sizes)] = 1.0
        row[count + week] = -500.0
        rows.append(row)
        low.append(-inf)
        high.append(0.0)
    whole = np.concatenate([np.ones(count + weeks), np.zeros(stock)])
    upper = np.concatenate([np.full(count, 60.0), np.ones(weeks), np.full(stock, inf)])
    found = milp(cost, constraints=LinearConstraint(np.array(rows), low, high), integrality=whole,
                 bounds=Bounds(np.zeros(len(cost)), upper), options={"mip_rel_gap": 0.0})  # fmt: skip
    assert found.success
    return float(found.fun)


@settings(max_examples=25, deadline=None)
@given(
    demands=st.lists(st.lists(st.integers(0, 25), min_size=4, max_size=4), min_size=2, max_size=3),
    order_cost=st.sampled_from([5.0, 25.0, 90.0]),
    holding=st.sampled_from([0.05, 0.5]),
)
def test_the_solver_s_best_lies_between_bound_and_cost(demands, order_cost, holding):
    packs = [SMALL, BIG, SMALL][: len(demands)]
    fluids = [
        FluidAhead(f"F{n}", ahead(demand, holding), {0: own})
        for n, (demand, own) in enumerate(zip(demands, packs, strict=True))
    ]
    plan = finished(plan_orders(fluids, [Source("one", 0, order_cost=order_cost)]))
    best = by_solver(demands, packs, holding, order_cost)
    assert plan.bound <= best + 1e-5
    assert plan.cost >= best - 1e-5
    assert plan.cost <= best * 1.03 + 1e-5


def test_fluids_share_an_order():
    plan = finished(
        plan_orders(
            [FluidAhead("A", ahead([5, 5]), {0: SMALL}), FluidAhead("B", ahead([20, 0]), {0: BIG})], [ONE]
        )
    )
    (order,) = plan.orders
    assert [(code, lot.litres) for code, lot in order.lots] == [("A", 10.0), ("B", 20.0)]
    assert (order.value, order.fixed_cost) == (88.0 + 120.0, 25.0)
    # 88 + 120 + 25 and five litres kept for a week.
    assert plan.cost == pytest.approx(233.25)
    assert plan.gap == pytest.approx(0.0)


def test_freight_is_free_from_a_value_on():
    freight = Source("one", 0, order_cost=10.0, freight=30.0, free_freight_from=400.0)
    few, many = (
        finished(plan_orders([FluidAhead("A", ahead([litres]), {0: BIG})], [freight])) for litres in (20, 80)
    )
    assert [own.orders[0].fixed_cost for own in (few, many)] == [40.0, 10.0]


def test_a_quicker_source_bridges_the_time_until_the_usual_one_delivers():
    sources = [Source("cheap", 2, order_cost=10.0), Source("quick", 1, order_cost=10.0)]
    dear = tuple(Pack(own.size_l, own.price * 2, own.label) for own in SMALL)
    plan = finished(
        plan_orders([FluidAhead("A", ahead([3, 5, 20, 20], at_hand=3.0), {0: SMALL, 1: dear})], sources)
    )
    assert [(sources[own.source].name, own.week, own.litres) for own in plan.orders] == [
        ("quick", 1, 5.0),
        ("cheap", 2, 40.0),
    ]


def test_what_nobody_can_bring_in_time_is_said_and_not_planned():
    plan = finished(
        plan_orders([FluidAhead("A", ahead([4, 5, 5]), {0: SMALL})], [Source("late", 2, order_cost=10.0)])
    )
    (fluid,) = plan.fluids
    assert fluid.unmet_l.tolist() == [4.0, 9.0, 0.0]
    assert [(own.week, own.litres) for own in plan.orders] == [(2, 15.0)]


def test_an_order_below_the_least_is_merged_or_raised():
    """Forty litres at least: two orders of 20 become one; one alone is made larger; both keep the plan's need."""
    least = Source("one", 0, order_cost=0.0, least_l=40.0)
    merged = finished(plan_orders([FluidAhead("A", ahead([20, 0, 0, 20], holding=1.0), {0: SMALL})], [least]))
    assert [(own.week, own.litres, own.short_l) for own in merged.orders] == [(0, 40.0, 0.0)]
    raised = finished(plan_orders([FluidAhead("A", ahead([20, 0], holding=1.0), {0: SMALL})], [least]))
    assert [(own.litres, own.short_l) for own in raised.orders] == [(40.0, 0.0)]


def test_a_least_that_cannot_be_reached_is_said():
    least = Source("one", 0, least_cost=1_000.0)
    drawn = np.array([5.0])
    full = LitresAhead(drawn, drawn, np.zeros(1), 0.0, most_l=5.0)
    (order,) = finished(plan_orders([FluidAhead("A", full, {0: SMALL})], [least])).orders
    assert order.short_cost == pytest.approx(1_000.0 - 44.0)


def test_what_an_order_lacks_is_a_share_of_each_least():
    """10 of 40 L and 50 of 200 money lacking are a quarter each; a source without a least lacks nothing."""
    order = PlannedOrder(0, 0, (), 30.0, 150.0, 0.0, short_l=10.0, short_cost=50.0)
    assert Source("one", 0, least_l=40.0, least_cost=200.0).lacking_share(order) == 0.5
    assert Source("two", 0).lacking_share(replace(order, short_l=0.0, short_cost=0.0)) == 0.0


def test_a_fluid_nobody_sells_says_so_and_the_others_are_planned():
    plan = finished(
        plan_orders([FluidAhead("A", ahead([5]), {}), FluidAhead("B", ahead([5]), {0: SMALL})], [ONE])
    )
    assert "No supplier sells it" in plan.fluids[0].cannot_say
    assert [own.lots[0][0] for own in plan.orders] == ["B"]
    assert finished(plan_orders([], [ONE])).orders == ()


def test_odd_sizes_are_left_out_where_they_would_make_the_plan_too_fine():
    quart = (Pack(0.946352946, Decimal("9.90"), "1 US qt", multiple=6),)
    sources = [ONE, Source("import", 0, order_cost=1.0)]
    plan = finished(plan_orders([FluidAhead("A", ahead([300, 300]), {0: BIG, 1: quart})], sources))
    assert (plan.fluids[0].left_out, plan.fluids[0].cannot_say) == (("import",), "")
    assert {order.source for order in plan.orders} == {0}


def test_a_fluid_moves_into_an_order_that_goes_out_anyway():
    """Alone the small fluid is cheaper at the second source; in the first one's order it saves an order."""
    dearer = tuple(Pack(own.size_l, own.price + 2, own.label) for own in SMALL)
    sources = [Source("one", 0, order_cost=40.0), Source("two", 0, order_cost=30.0)]
    plan = finished(
        plan_orders(
            [FluidAhead("A", ahead([200]), {0: BIG}), FluidAhead("B", ahead([5]), {0: dearer, 1: SMALL})],
            sources,
        )
    )
    assert [(order.source, len(order.lots)) for order in plan.orders] == [(0, 2)]


def test_the_steps_count_every_fluid_in_order_and_leaving_early_ends_the_work():
    fluids = [FluidAhead(code, ahead([20, 30]), {0: SMALL}) for code in "ABC"]
    steps = plan_orders(fluids, [ONE])
    counted = [(step.what, step.done, step.of) for step in steps if "supplier for" in step.what]
    assert counted == [(f"supplier for {code}", place, 3) for place, code in enumerate("ABC", 1)]
    left = plan_orders(fluids, [ONE])
    next(left)
    left.close()
    assert list(left) == []
