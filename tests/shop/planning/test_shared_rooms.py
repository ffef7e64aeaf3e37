"""Rooms that fluids share: kept where a general solver can keep them, between its best and a proved bound."""

from decimal import Decimal
from math import inf
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import LitresAhead
from shop.planning.order_plan import FluidAhead, OrderPlan, Room, Source, plan_orders
from shop.planning.steps import finished

SMALL = (Pack(5.0, Decimal(44), "5 L"), Pack(20.0, Decimal(158), "20 L"))
BIG = (Pack(20.0, Decimal(120), "20 L"), Pack(60.0, Decimal(300), "60 L"))
HOLDING = 0.05


def ahead(demand: list[int], at_hand: float = 0.0) -> LitresAhead:
    drawn = np.cumsum(np.array(demand, dtype=float))
    return LitresAhead(drawn, drawn, np.full(len(demand), at_hand), HOLDING)


def planned(demands: list[list[int]], rooms: list[Room], order_cost: float = 25.0) -> OrderPlan:
    fluids = [
        FluidAhead(f"F{n}", ahead(own), {0: packs})
        for n, (own, packs) in enumerate(zip(demands, packs_of(demands), strict=True))
    ]
    return finished(plan_orders(fluids, [Source("one", 0, order_cost=order_cost)], rooms))


def packs_of(demands: list[list[int]]) -> list[tuple[Pack, ...]]:
    return [SMALL, BIG, SMALL][: len(demands)]


def by_solver(demands: list[list[int]], rooms: list[Room], order_cost: float) -> float | None:
    """Return the least cost by scipy's mixed-integer solver (HiGHS), all fluids and rooms in one model.

    None: nothing fits.
    """
    weeks, packs = len(demands[0]), packs_of(demands)
    sizes = [(fluid, pack) for fluid, own in enumerate(packs) for pack in own]
    kinds = len(sizes)
    count = weeks * kinds
    drawn = np.cumsum(np.array(demands, dtype=float), axis=1)
    size_l = np.array([pack.size_l for _, pack in sizes])
    # A pack bought in a week is kept from that week's end on.
    keeping = HOLDING * np.arange(weeks, 0, -1)
    price = np.array([float(pack.price) for _, pack in sizes])
    cost = np.concatenate(
        [(price[None, :] + keeping[:, None] * size_l[None, :]).ravel(), np.full(weeks, order_cost)]
    )
    rows, low, high = [], [], []
    for week in range(weeks):
        for fluid in range(len(demands)):
            row = np.zeros(len(cost))
            row[: (week + 1) * kinds] = np.tile(
                [size_l[n] * (own == fluid) for n, (own, _) in enumerate(sizes)], week + 1
            )
            rows.append(row)
            low.append(drawn[fluid, week])
            high.append(inf)
        for room in rooms:
            inside = [int(code[1:]) for code in room.fluids]
            row = np.zeros(len(cost))
            row[: (week + 1) * kinds] = np.tile(
                [size_l[n] * (own in inside) for n, (own, _) in enumerate(sizes)], week + 1
            )
            rows.append(row)
            low.append(-inf)
            high.append(room.most_l + sum(drawn[fluid, week - 1] if week else 0.0 for fluid in inside))
        row = np.zeros(len(cost))
        row[week * kinds : (week + 1) * kinds] = 1.0
        row[count + week] = -500.0
        rows.append(row)
        low.append(-inf)
        high.append(0.0)
    upper = np.concatenate([np.full(count, 60.0), np.ones(weeks)])
    found = milp(cost, constraints=LinearConstraint(np.array(rows), low, high), integrality=np.ones(len(cost)),
                 bounds=Bounds(np.zeros(len(cost)), upper), options={"mip_rel_gap": 0.0})  # fmt: skip
    return float(found.fun) - HOLDING * float(drawn.sum()) if found.success else None


@settings(max_examples=25, deadline=None)
@given(
    demands=st.lists(st.lists(st.integers(0, 25), min_size=4, max_size=4), min_size=2, max_size=3),
    order_cost=st.sampled_from([5.0, 25.0, 90.0]),
    most_l=st.sampled_from([30.0, 45.0, 60.0, 90.0]),
    in_small=st.sampled_from([None, 20.0, 40.0]),
)
def test_what_a_general_solver_can_fit_is_fitted_and_its_best_lies_between_bound_and_cost(
    demands, order_cost, most_l, in_small
):
    every = frozenset(f"F{n}" for n in range(len(demands)))
    rooms = [Room("store", most_l, every)]
    if in_small is not None:
        rooms.append(Room("bund", in_small, frozenset({"F0"})))
    plan = planned(demands, rooms, order_cost)
    best = by_solver(demands, rooms, order_cost)
    over_l = max(float(room.over_l.max()) for room in plan.rooms)
    unavoidable_l = max(float(room.unavoidable_l.max()) for room in plan.rooms)
    if best is None:
        assert over_l > 0
        return
    assert (over_l, unavoidable_l) == (0.0, 0.0)
    assert plan.bound <= best + 1e-5
    # How close it comes is not promised, only shown: the bound tells. The tests below keep to fixed cases.
    assert plan.cost >= best - 1e-5


def fixed_cases(count: int) -> list[tuple[list[list[int]], list[Room], float]]:
    """Return always the same cases: two or three fluids, half of them with weeks that take nothing."""
    dice, cases = Random(1), []
    for _ in range(count):
        fluids, quiet = dice.choice([2, 3]), dice.choice([0.0, 0.4])
        demands = [[dice.randint(0, 25) * (dice.random() >= quiet) for _ in range(4)] for _ in range(fluids)]
        rooms = [Room("store", dice.choice([45.0, 60.0, 90.0]), frozenset(f"F{n}" for n in range(fluids)))]
        if in_bund := dice.choice([0.0, 20.0, 40.0]):
            rooms.append(Room("bund", in_bund, frozenset({"F0"})))
        cases.append((demands, rooms, dice.choice([5.0, 25.0, 90.0])))
    return cases


def test_plans_come_close_to_the_best_of_a_general_solver():
    gaps = []
    for demands, rooms, order_cost in fixed_cases(120):
        best = by_solver(demands, rooms, order_cost)
        if best is not None:
            gaps.append(planned(demands, rooms, order_cost).cost / best - 1.0)
    assert len(gaps) == 70
    # Measured: the worst 11.14 % above the best, the mean 0.29 %, 93 % of the plans the best there is.
    assert max(gaps) < 0.12
    assert sum(gaps) / len(gaps) < 0.0031
    assert sum(gap < 1e-6 for gap in gaps) / len(gaps) > 0.91


def test_an_order_is_done_without_where_its_fluids_fit_into_others_only_together():
    """Fluid by fluid nothing is saved, three orders stay, and the plan costs 759.30; both fluids moved leave two."""
    demands, rooms = (
        [[0, 1, 4, 11], [0, 0, 15, 6], [0, 0, 5, 1]],
        [Room("store", 45.0, frozenset({"F0", "F1", "F2"}))],
    )
    best = by_solver(demands, rooms, 90.0)
    plan = planned(demands, rooms, 90.0)
    assert best == pytest.approx(670.55)
    assert plan.cost == pytest.approx(best)
    assert plan.bound < best
    assert [order.week for order in plan.orders] == [1, 3]


def test_a_room_large_enough_changes_nothing():
    demands = [[5, 20, 3, 11], [20, 0, 7, 14]]
    free, roomy = planned(demands, []), planned(demands, [Room("store", 1_000.0, frozenset({"F0", "F1"}))])
    assert (roomy.orders, roomy.cost, roomy.bound) == (free.orders, free.cost, free.bound)


def test_two_drums_do_not_come_in_one_week_where_one_fits():
    """Each fluid is sold in 60 L only and takes 20 L a week: with room for 80 L the second waits for the first."""
    drum = (Pack(60.0, Decimal(300), "60 L"),)
    fluids = [
        FluidAhead("A", ahead([20, 20, 20, 0]), {0: drum}),
        FluidAhead("B", ahead([0, 20, 20, 20]), {0: drum}),
    ]
    sources = [Source("one", 0, order_cost=100.0)]
    free = finished(plan_orders(fluids, sources))
    assert [(order.week, order.litres) for order in free.orders] == [(0, 120.0)]
    (room,) = (plan := finished(plan_orders(fluids, sources, [Room("bund", 100.0, frozenset("AB"))]))).rooms
    assert [(order.week, order.litres) for order in plan.orders] == [(0, 60.0), (1, 60.0)]
    # 60 in week 0; 40 left and 60 more in week 1; then both fall by their 20 L a week.
    assert room.full_l.tolist() == [60.0, 100.0, 60.0, 20.0]
    assert not room.over_l.any()
    tight = finished(plan_orders(fluids, sources, [Room("bund", 80.0, frozenset("AB"))])).rooms[0]
    assert tight.over_l.tolist() == pytest.approx([0.0, 20.0, 0.0, 0.0], abs=1e-5)
    assert tight.unavoidable_l.tolist() == tight.over_l.tolist()


def test_what_stands_there_unsold_and_unplanned_takes_room_too():
    kept = FluidAhead("K", ahead([0, 0, 0], at_hand=50.0), {})
    plan = finished(plan_orders(
        [kept, FluidAhead("A", ahead([20, 20, 20]), {0: BIG})], [Source("one", 0, order_cost=100.0)],
        [Room("bund", 75.0, frozenset("AK"))],
    ))  # fmt: skip
    assert plan.rooms[0].full_l.tolist() == [70.0, 70.0, 70.0]
    assert [order.litres for order in plan.orders] == [20.0, 20.0, 20.0]
