"""The order plan page: orders with their reasons, weeks that cannot be planned, the file."""

import csv
import io

import pytest
from django.core.exceptions import PermissionDenied
from openpyxl import load_workbook

from shop.errors import InputError
from shop.models import Pack, Person, StockItem, StoreRoom
from shop.planning.steps import Step, finished
from shop.selectors.order_plan import order_plans
from shop.web import order_plan as view
from shop.web.page_in_steps import BROKE


@pytest.fixture
def sold(yard):
    """The name of the one supplier who sells the yard's fluid, with two boxes about to fall due."""
    yard.add("K70", 58_000)
    yard.add("K71", 59_500)
    yard.run()
    return Pack.objects.get(product=yard.model.product).supplier.name


def test_each_order_says_why_and_what_it_could_cost_less(foreman, sold):
    page = foreman.get("/order-plan?weeks=8").getvalue().decode()
    assert sold in page
    assert "Without it" in page
    assert "no plan" in page
    assert "K70" in page


def test_weeks_that_cannot_be_planned_are_named_and_the_usual_ones_shown(foreman, sold):
    answer = foreman.get("/order-plan?weeks=99")
    assert answer.status_code == 200
    page = answer.getvalue().decode()
    assert "less than or equal to 52" in page
    assert "26 weeks" in page


def test_a_shared_room_is_shown_by_the_week_and_what_is_too_many_is_named(foreman, sold, yard):
    room = StoreRoom.objects.create(depot=yard.depot, name="Oil bund", most_l=500)
    room.products.add(yard.product)
    page = foreman.get("/order-plan?weeks=8").getvalue().decode().replace("\N{NO-BREAK SPACE}", " ")
    assert "500 L may stand in it; at most" in page
    StoreRoom.objects.update(most_l=5)
    # Set aside, so of no use to the plan, but it stands there all the same.
    StockItem.objects.create(
        depot=yard.depot, product=yard.product, label="Q1", pack_size_l=20, on_shelf_l=20, is_quarantined=True
    )
    page = foreman.get("/order-plan?weeks=8").getvalue().decode().replace("\N{NO-BREAK SPACE}", " ")
    # In the first week the 20 L at hand and the 20 L set aside: 35 too many whatever is ordered.
    assert "too many in the week of" in page
    assert "even with the least stock" in page
    (plan,) = finished(order_plans(Person.objects.get(role=Person.Role.FOREMAN), 8))
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


def test_the_page_tells_its_steps_in_order_and_then_holds_the_plan(foreman, sold, yard):
    top, *steps, end = [piece.decode() for piece in foreman.get("/order-plan?weeks=8").streaming_content]
    assert f"{yard.depot.name}: reading the jobs ahead" in top
    assert "<h1>Order plan</h1>" in top
    assert f"1 of 1: supplier for {yard.model.product.code}" in "".join(steps)
    assert '<progress max="1" value="1">' in "".join(steps)
    assert "Putting the orders together" in steps[-1]
    # The plan comes once, after the steps, with the foot of the page.
    assert "Without it" in end
    assert "Without it" not in top + "".join(steps)
    assert end.rstrip().endswith("</html>")
    assert end.index("is-done") < end.index(sold)


def test_leaving_the_page_ends_the_work(foreman, monkeypatch):
    ended = []

    def work(person, weeks):
        try:
            for place in (1, 2, 3):
                yield Step("oil", place, 3)
            ended.append("all done")
        finally:
            ended.append("closed")

    monkeypatch.setattr(view, "order_plans", work)
    answer = foreman.get("/order-plan")
    pieces = iter(answer.streaming_content)
    assert b"1 of 3: oil" in next(pieces)
    assert b"2 of 3: oil" in next(pieces)
    assert ended == []
    answer.close()
    assert ended == ["closed"]


def test_an_error_before_the_first_step_keeps_its_own_page_and_status(foreman, monkeypatch):
    def work(person, weeks):
        raise PermissionDenied("Not your shelf.")
        yield

    monkeypatch.setattr(view, "order_plans", work)
    answer = foreman.get("/order-plan")
    assert answer.status_code == 403
    assert "Not your shelf." in answer.content.decode()


@pytest.mark.parametrize(
    ("error", "sentence", "is_logged"),
    [
        (RuntimeError("inner detail"), BROKE, True),
        (InputError("Pack F1 has no price."), "Pack F1 has no price.", False),
    ],
)
def test_an_error_midway_is_told_in_the_page(foreman, monkeypatch, caplog, error, sentence, is_logged):
    def work(person, weeks):
        yield Step("Reading the jobs ahead…")
        raise error

    monkeypatch.setattr(view, "order_plans", work)
    page = foreman.get("/order-plan").getvalue().decode()
    assert sentence in page
    assert "inner detail" not in page
    assert page.rstrip().endswith("</html>")
    assert ("/order-plan broke off" in caplog.text) == is_logged
