"""The order plan page: orders with their reasons, weeks that cannot be planned, the file."""

import csv
import io

import pytest
from openpyxl import load_workbook

from shop.models import Pack, Person, StockItem, StoreRoom
from shop.selectors.order_plan import order_plans


@pytest.fixture
def sold(yard):
    """The name of the one supplier who sells the yard's fluid, with two boxes about to fall due."""
    yard.add("K70", 58_000)
    yard.add("K71", 59_500)
    yard.run()
    return Pack.objects.get(product=yard.model.product).supplier.name


def test_each_order_says_why_and_what_it_could_cost_less(foreman, sold):
    page = foreman.get("/order-plan?weeks=8").content.decode()
    assert sold in page
    assert "Without it" in page
    assert "no plan" in page
    assert "K70" in page


def test_weeks_that_cannot_be_planned_are_named_and_the_usual_ones_shown(foreman, sold):
    answer = foreman.get("/order-plan?weeks=99")
    assert answer.status_code == 200
    assert "less than or equal to 52" in answer.content.decode()
    assert "26 weeks" in answer.content.decode()


def test_a_shared_room_is_shown_by_the_week_and_what_is_too_many_is_named(foreman, sold, yard):
    room = StoreRoom.objects.create(depot=yard.depot, name="Oil bund", most_l=500)
    room.products.add(yard.product)
    page = foreman.get("/order-plan?weeks=8").content.decode().replace("\N{NO-BREAK SPACE}", " ")
    assert "500 L may stand in it; at most" in page
    StoreRoom.objects.update(most_l=5)
    # Set aside, so of no use to the plan, but it stands there all the same.
    StockItem.objects.create(
        depot=yard.depot, product=yard.product, label="Q1", pack_size_l=20, on_shelf_l=20, is_quarantined=True
    )
    page = foreman.get("/order-plan?weeks=8").content.decode().replace("\N{NO-BREAK SPACE}", " ")
    # In the first week the 20 L at hand and the 20 L set aside: 35 too many whatever is ordered.
    assert "too many in the week of" in page
    assert "even with the least stock" in page
    (plan,) = order_plans(Person.objects.get(role=Person.Role.FOREMAN), 8)
    (shown,) = plan.rooms
    assert shown.room.full_l[0] == shown.room.least_l[0] == pytest.approx(40.0)


def test_the_file_has_a_row_for_each_product_of_each_order(foreman, sold, yard):
    rows = list(csv.DictReader(io.StringIO(foreman.get("/order-plan.csv?weeks=8").getvalue().decode())))
    assert {row["supplier"] for row in rows} == {sold}
    assert {row["product"] for row in rows} == {yard.model.product.code}
    assert sum(float(row["litres"]) for row in rows) > 0.0


def test_the_spreadsheets_hold_figures_as_numbers_and_run_nothing(foreman, sold, yard):
    yard.model.product.name = "=2+2"
    yard.model.product.save()
    for address in ("/orders.xlsx", "/order-plan.xlsx?weeks=8"):
        answer = foreman.get(address)
        assert answer["Content-Type"].endswith("spreadsheetml.sheet")
        header, *rows = load_workbook(io.BytesIO(answer.content)).active.iter_rows(values_only=True)
        assert rows
        named = dict(zip(header, rows[0], strict=True))
        assert named["product_name"] == "'=2+2"
        assert isinstance(named["order_l" if "order_l" in named else "litres"], float | int)
