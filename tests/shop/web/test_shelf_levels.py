"""The shelf levels: page, label and CSV file say one rule; what it rests on, what limits it, where none is made up."""

import csv
import datetime
import io

import pytest

from shop.models import (
    BulkTank,
    ChangeRecord,
    Job,
    OrderedLine,
    Pack,
    Person,
    Product,
    StockItem,
    StockMovement,
    Supplier,
)
from shop.selectors.shelf_levels import WATCHED, WEEKLY, ShelfLevel, shelf_levels
from tests.factories import PackFactory
from tests.shop.web.conftest import NOW, TODAY, Yard


@pytest.fixture
def steady(yard: Yard) -> Product:
    """48 L a year go steadily; jugs of 5 L at 44."""
    Product.objects.filter(pk=yard.product.pk).update(
        top_ups_l_per_month=4, sealed_life_months=48, opened_life_months=12
    )
    PackFactory(product=yard.product, size_l=5, printed="5 L", price="44.00", supplier=Supplier.objects.get())
    yard.product.refresh_from_db()
    return yard.product


def level(yard: Yard, look: str = WATCHED) -> ShelfLevel:
    person, is_new = Person.objects.get_or_create(username="looks")
    if is_new:
        person.depots.add(yard.depot)
    (own,) = shelf_levels(person, look, yard.product)
    return own


def test_page_label_and_file_give_one_rule_and_nothing_is_stored(foreman, steady, yard):
    before = ChangeRecord.objects.count()
    own = level(yard)
    assert own.rule.startswith("Order when ")
    assert own.rule in foreman.get("/shelf-levels").content.decode()
    assert own.rule in foreman.get("/labels/F01").content.decode()
    (row,) = csv.DictReader(io.StringIO(foreman.get("/shelf-levels.csv").getvalue().decode()))
    assert row["rule"] == own.rule
    assert (row["level_packs"], row["order_packs"]) == (str(own.chosen.level), str(own.chosen.order_packs))
    assert float(row["steady_l_per_year"]) == 48.0
    weekly = level(yard, WEEKLY)
    assert weekly.rule.startswith("Look once a week: when ")
    assert weekly.rule in foreman.get("/labels/F01?look=weekly").content.decode()
    assert weekly.rule in foreman.get("/shelf-levels?look=weekly").content.decode()
    assert ChangeRecord.objects.count() == before


def test_the_cheapest_pack_is_chosen_and_the_others_stand_beside_it(steady, yard):
    own = level(yard)
    assert own.chosen.whole_per_year == min(
        one.whole_per_year for one in (own.chosen, *own.others) if one.whole_per_year is not None
    )
    assert {one.pack for one in (own.chosen, *own.others)} == {"5 L", "60 L"}


def test_what_is_typed_counts_before_what_is_recorded_which_counts_where_none_is_typed(steady, yard):
    unit = yard.add("K60", 10_000)
    vehicle = unit.fittings.get().vehicle
    for code, kind, litres, day in (
        ("T1", "top-up", 3.0, TODAY - datetime.timedelta(days=20)),
        ("T2", "correction", 0.5, TODAY - datetime.timedelta(days=300)),
        ("T3", "top-up", 9.0, TODAY - datetime.timedelta(days=400)),
        ("T4", "service", 10.0, TODAY - datetime.timedelta(days=30)),
    ):
        Job.objects.create(
            code=code, unit=unit, vehicle=vehicle, kind=kind, state="handed back", done_on=day, in_l=litres,
            product=yard.product,
        )  # fmt: skip
    item = StockItem.objects.get(product=yard.product)
    moved = {"moved_at": NOW - datetime.timedelta(days=5), "reason": "filled"}
    StockMovement.objects.create(item=item, litres=-1.5, **moved)
    StockMovement.objects.create(item=item, litres=-10.0, job=Job.objects.get(code="T4"), **moved)
    own = level(yard)
    assert (own.use.litres_per_year, own.use.recorded_l) == (48.0, 5.0)
    assert own.use.source == "top-ups typed for the product"
    Product.objects.update(top_ups_l_per_month=0.2)
    assert "On record are 5.0 L, more than typed: correct the product's top-ups." in level(yard).sentence
    Product.objects.update(top_ups_l_per_month=0)
    own = level(yard)
    assert own.use.litres_per_year == 5.0
    assert own.use.source == "top-ups and takings on record, last 365 days"


def test_room_and_use_by_keep_the_packs_at_hand_down(steady, yard):
    free = level(yard).chosen
    assert free.most_packs == 48 * 4 // free.size_l
    Product.objects.update(most_on_shelf_l=22)
    own = level(yard)
    assert (own.chosen.pack, own.chosen.most_packs) == ("5 L", 4)
    assert own.chosen.up_to <= 4
    assert "The room holds 22 L." in own.limit
    big = next(one for one in own.others if one.pack == "60 L")
    assert (big.level, big.why_not) == (None, "least order 1 pack at a level of 0, room and use-by allow 0")
    Product.objects.update(most_on_shelf_l=None, sealed_life_months=1)
    assert level(yard).cannot_say == (
        "Even one pack is more than the steady use empties before its use-by, or than the room holds: keep none."
    )


def test_the_suppliers_least_order_and_case_are_kept(steady, yard):
    Supplier.objects.update(minimum_l=38)
    Pack.objects.filter(printed="60 L").delete()
    Pack.objects.update(multiple=3)
    assert level(yard).chosen.order_packs % 3 == 0
    assert level(yard).chosen.order_packs >= 9
    weekly = level(yard, WEEKLY)
    assert "sold by the case of 3, so not up to any number" in weekly.cannot_say
    Pack.objects.update(multiple=1)
    weekly = level(yard, WEEKLY).chosen
    assert weekly.up_to - weekly.level == weekly.order_packs >= 8


def test_freight_and_the_suppliers_own_order_cost_count(steady, yard):
    Pack.objects.filter(printed="60 L").delete()
    assert level(yard).chosen.order_cost == 15.0
    Supplier.objects.update(order_cost="7.50", freight_cost="25", free_freight_from="10000")
    assert level(yard).chosen.order_cost == 32.5
    Supplier.objects.update(free_freight_from="1")
    assert level(yard).chosen.order_cost == 7.5


def past_orders(yard: Yard, arrivals: list[int]) -> None:
    """Orders that took so many calendar days, one a week; Mondays, so that 2 to 4 days are working days."""
    for step, days in enumerate(arrivals, start=1):
        day = TODAY - datetime.timedelta(weeks=step)
        OrderedLine.objects.create(
            depot=yard.depot, supplier=Supplier.objects.get(), product=yard.product, litres=5, received_l=5,
            ordered_on=day, expected_on=day + datetime.timedelta(days=4), is_open=False,
            closed_on=day + datetime.timedelta(days=days),
        )  # fmt: skip


def test_the_lead_scatters_as_the_suppliers_orders_did(steady, yard):
    assert level(yard).chosen.lead == "11 working days: no order of his is over yet, so each counts as late"
    past_orders(yard, [4] * 6)
    assert level(yard).chosen.lead == "6 working days in 79 of 100 orders, 11 in the others"
    OrderedLine.objects.all().delete()
    past_orders(yard, [4] * 19 + [2])
    own = level(yard).chosen
    assert own.lead == "4 to 6 working days, as 20 past orders show"
    a_day = own.packs_per_year / (365.25 * 5 / 7)
    assert own.wanted_packs == pytest.approx(a_day * (19 * 6 + 4) / 20)


def test_what_is_left_counts_what_is_free_and_on_the_way(steady, yard):
    Pack.objects.filter(printed="60 L").delete()
    own = level(yard)
    assert own.packs_now == 20 // 5
    assert not own.is_order_due
    StockItem.objects.update(on_shelf_l=4)
    own = level(yard)
    assert (own.packs_now, own.is_order_due) == (0, True)
    OrderedLine.objects.create(
        depot=yard.depot, supplier=Supplier.objects.get(), product=yard.product, litres=20, ordered_on=TODAY,
        expected_on=TODAY + datetime.timedelta(days=4),
    )  # fmt: skip
    assert level(yard).packs_now == 24 // 5


def test_planned_jobs_belong_to_the_order_plan(foreman, yard):
    own = level(yard)
    assert own.is_planned_only
    assert own.sentence.startswith("Taken for planned jobs only (about ")
    assert own.rule == ""
    page = foreman.get("/shelf-levels").content.decode()
    assert "No level needed" in page
    assert "Shelf level" not in foreman.get("/labels/F01").content.decode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda yard: Pack.objects.all().delete(), "No supplier sells F01 at a known price; add its pack"),
        (lambda yard: Product.objects.update(opened_life_months=0), "used at once when opened"),
        (
            lambda yard: BulkTank.objects.create(
                item=StockItem.objects.get(), code="T1", name="Tank", capacity_l=1500
            ),
            "stands in the tank T1",
        ),
    ],
)  # fmt: skip
def test_where_packs_cannot_be_counted_no_level_is_made_up(foreman, steady, yard, change, words):
    change(yard)
    own = level(yard)
    assert words in own.cannot_say
    assert own.chosen is None
    assert words in foreman.get("/shelf-levels").content.decode()
    (row,) = csv.DictReader(io.StringIO(foreman.get("/shelf-levels.csv").getvalue().decode()))
    assert (row["level_packs"], row["rule"]) == ("", "")
    assert words in row["why"]


def test_a_person_sees_the_levels_of_the_own_shelves_only(foreman, steady, yard, other_yard):
    rows = list(csv.DictReader(io.StringIO(foreman.get("/shelf-levels.csv").getvalue().decode())))
    assert {row["depot"] for row in rows} == {"UY"}
