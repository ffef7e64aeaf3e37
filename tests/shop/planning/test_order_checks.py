"""A draft order against a supplier's terms. Common practice of the trade, no source."""

from datetime import date, time
from decimal import Decimal

import pytest

from shop.planning.order_checks import PacksWanted, check_order, order_hour
from shop.planning.packs import Pack
from shop.planning.suppliers import Supplier

OILS = Supplier(
    "Brinnock Oils",
    4,
    time(14),
    frozenset({date(2026, 4, 6)}),
    minimum_l=40.0,
    free_freight_from=Decimal(400),
)
SIXTY, TWENTY = Pack(60.0, Decimal("429.00"), "60 L"), Pack(20.0, Decimal("84.00"), "20 L")
QUART = Pack(0.946, Decimal("9.90"), "1 US qt", multiple=6)


def wanted(pack: Pack, count: int, product: str = "F01") -> PacksWanted:
    return PacksWanted(product, pack, count)


def test_an_order_is_added_up() -> None:
    check = check_order(OILS, [wanted(SIXTY, 1), wanted(TWENTY, 2, "F15"), wanted(TWENTY, 0, "F05")])
    assert (check.litres, check.cost) == (100.0, Decimal("597.00"))
    assert check.refusals == check.below_minimum == check.notes == ()


def test_below_the_minimum_needs_a_reason_and_freight_is_named() -> None:
    check = check_order(OILS, [wanted(TWENTY, 1)])
    assert [str(own) for own in check.below_minimum] == ["20.0 L below the minimum of 40 L; top up or wait."]
    assert [str(own) for own in check.notes] == ["316.00 more and freight is free."]
    parts = Supplier("Yostlemere Parts", 1, time(16), minimum_cost=Decimal(30))
    check = check_order(parts, [wanted(Pack(1.0, Decimal("9.80"), "1 L"), 3)])
    assert [own.code for own in check.below_minimum] == ["below_minimum_cost"]


@pytest.mark.parametrize(("count", "said"), [(4, "order 6, not 4"), (7, "order 6 or 12, not 7")])
def test_cases_are_not_broken(count: int, said: str) -> None:
    (reason,) = check_order(OILS, [wanted(QUART, count)]).refusals
    assert reason.code == "broken_case"
    assert said in str(reason)
    assert not check_order(OILS, [wanted(QUART, 12)]).refusals


def test_an_empty_draft_is_no_order() -> None:
    check = check_order(OILS, [wanted(SIXTY, 0)])
    assert [own.code for own in check.refusals] == ["nothing"]
    assert check.below_minimum == ()


@pytest.mark.parametrize(
    ("today", "hour", "cut_off_on", "arrives_on", "later_on"),
    [
        (date(2026, 3, 2), time(9), date(2026, 3, 2), date(2026, 3, 6), date(2026, 3, 9)),
        (date(2026, 3, 2), time(14), date(2026, 3, 3), date(2026, 3, 9), date(2026, 3, 10)),
        (date(2026, 3, 7), time(9), date(2026, 3, 9), date(2026, 3, 13), date(2026, 3, 16)),
        # Easter Monday is closed: ordered on Thursday, the four days are Fri, Tue, Wed, Thu.
        (date(2026, 4, 2), time(9), date(2026, 4, 2), date(2026, 4, 9), date(2026, 4, 10)),
    ],
)
def test_the_next_cut_off_and_what_it_decides(
    today: date, hour: time, cut_off_on: date, arrives_on: date, later_on: date
) -> None:
    told = order_hour(OILS, today, hour)
    assert (told.cut_off_on, told.arrives_on, told.later_on) == (cut_off_on, arrives_on, later_on)
