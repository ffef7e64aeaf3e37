"""The order plan page: orders with their reasons, weeks that cannot be planned, the file."""

import csv
import io

import pytest
from openpyxl import load_workbook

from shop.models import Pack


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
