"""The demo's shelf levels follow from its products, packs and past orders. The depot and its figures are invented."""

from math import exp

import pytest

from shop.models import Person
from shop.selectors.shelf_levels import WEEKLY, ShelfLevel, shelf_levels

WORKING_DAYS_A_YEAR = 365.25 * 5 / 7


def by_code(foreman: Person, look: str = "watched") -> dict[str, ShelfLevel]:
    return {own.product: own for own in shelf_levels(foreman, look)}


def test_the_main_fluid_is_ordered_by_the_pack_when_none_is_left(foreman: Person) -> None:
    """1.13 L a month; a pack of 20 L at 176.96 kept for a fifth of it a year; one order costs 15.

    Six orders of six came in time: the lower end of the 80 % range is 6/(6 + 1.2816²), 79 in 100. The lead is 2 working
    days and one each to be written and to stand on the shelf; late it is 5 working days more. With one pack at hand or
    on the way, it is on the shelf while none is asked for within the lead, and lacks once two are.
    """
    own = by_code(foreman)["F01"]
    best = own.chosen
    assert best is not None
    assert own.rule == "Order when no full 20 L pack is left: 1 × 20 L from Quarlane Fluids."
    assert own.use.litres_per_year == pytest.approx(12 * 1.13)
    assert own.use.recorded_l == 1.5
    assert best.most_packs == 12 * 1.13 * 48 / 12 // 20
    on_time = 6 / (6 + 1.2815515655446004**2)
    assert best.lead == f"4 working days in {on_time * 100:.0f} of 100 orders, 9 in the others"
    packs_a_year = 12 * 1.13 / 20
    a_day = packs_a_year / WORKING_DAYS_A_YEAR
    assert best.wanted_packs == pytest.approx(a_day * (4 * on_time + 9 * (1 - on_time)))
    assert best.orders_per_year == pytest.approx(packs_a_year)
    there = on_time * exp(-4 * a_day) + (1 - on_time) * exp(-9 * a_day)
    assert best.on_shelf_l == pytest.approx(20 * there)
    assert best.cost_per_year == pytest.approx(15 * packs_a_year + 0.2 * 176.96 * there)
    one_asked = on_time * 4 * a_day * exp(-4 * a_day) + (1 - on_time) * 9 * a_day * exp(-9 * a_day)
    assert best.dry_share == pytest.approx(1 - there - one_asked)
    assert (own.packs_now, own.is_order_due) == (1, False)


def test_the_other_packs_have_their_own_levels(foreman: Person) -> None:
    others = {(one.supplier, one.pack): one for one in by_code(foreman)["F01"].others}
    jugs = others["Brinnock Oils", "5 L"]
    assert (jugs.level, jugs.order_packs, jugs.least_packs) == (1, 8, 8)
    singles = others["Quarlane Fluids", "1 L"]
    assert (singles.level, singles.order_packs) == (1, 14)
    drum = others["Brinnock Oils", "208 L"]
    assert (drum.level, drum.most_packs) == (None, 0)


def test_what_has_a_level_what_is_planned_and_what_cannot_be_said(foreman: Person) -> None:
    rows = by_code(foreman)
    assert {code for code, own in rows.items() if own.chosen} == {"F01", "F09", "F11"}
    assert {code for code, own in rows.items() if own.cannot_say} == {"F02", "F03", "F10"}
    assert len(rows) == 17
    assert "stands in the tank T1" in rows["F10"].cannot_say
    assert rows["F09"].packs_now == 140 // 20
    assert rows["F15"].is_planned_only


def test_a_weekly_look_orders_up_to_a_number(foreman: Person) -> None:
    own = by_code(foreman, WEEKLY)["F09"]
    assert own.rule == (
        "Look once a week: when no full 20 L pack is left, order up to 2 × 20 L from Quarlane Fluids."
    )
