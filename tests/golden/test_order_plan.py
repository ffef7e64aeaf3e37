"""The order plan on the depot's day 0 agrees with its ordering list where both look at the same weeks."""

import datetime

import numpy as np

from shop.models import OrderedLine, Person
from shop.planning.steps import finished
from shop.selectors.order_plan import order_plans


def test_the_plan_orders_first_what_the_list_asks_today(foreman: Person) -> None:
    (plan,) = finished(order_plans(foreman))
    first = plan.orders[0]
    assert (first.supplier.code, first.order_by, first.arrives_by) == (
        "Brinnock", datetime.date(2026, 3, 2), datetime.date(2026, 3, 6),
    )  # fmt: skip
    lots = {own.product.code: own.lot for own in first.lots}
    assert [(count, pack.label) for pack, count in lots["F01"].packs] == [(1, "60 L")]
    assert lots["F05"].litres == 20.0
    assert not [said for said in plan.against_list if said.startswith(("F01", "F05"))]
    assert plan.plan.bound <= plan.plan.cost
    assert plan.plan.gap < 0.02
    assert all(order.litres >= (order.supplier.minimum_l or 0.0) for order in plan.orders)


def test_a_year_is_planned_and_every_fluid_says_what_it_does(foreman: Person) -> None:
    (plan,) = finished(order_plans(foreman, 52))
    by_code = {own.product.code: own for own in plan.fluids}
    assert len(by_code) == 17
    assert all(own.sentence for own in plan.fluids)
    assert "Farlowick Import" in by_code["F04"].sentence
    assert all(float(own.shelf_l.min()) > -10.7 for own in plan.fluids)


def test_a_late_order_counts_from_the_day_it_was_promised_anew(foreman: Person) -> None:
    """20 L that should have come before today count for nothing; promised for Thursday 12 March, from Monday 16 on."""

    def at_hand_l() -> np.ndarray:
        (plan,) = finished(order_plans(foreman))
        return next(own.at_hand_l for own in plan.fluids if own.product.code == "F13")

    line = OrderedLine.objects.filter(product__code="F13", is_open=True)
    line.update(expected_on=datetime.date(2026, 2, 27))
    without_l = at_hand_l()
    line.update(promised_on=datetime.date(2026, 3, 12))
    assert (at_hand_l() - without_l).tolist() == [0.0, 0.0] + [20.0] * 24
