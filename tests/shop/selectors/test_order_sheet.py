"""The sheet of an order: all rows on it, page after page, on the depot's paper, and the same rows as CSV."""

import csv
import datetime
import io
import re
from decimal import Decimal

import pytest

from shop.models import OrderedLine, SupplierOrder
from shop.selectors.order_sheet import order_csv, order_pdf
from tests.factories import DepotFactory, ProductFactory, SupplierFactory

DAY = datetime.date(2026, 3, 2)
ROWS = 90


@pytest.fixture
def order(db: None) -> SupplierOrder:
    depot = DepotFactory(paper="Letter", currency="USD")
    order = SupplierOrder.objects.create(
        number="UY-2026-001", depot=depot, year=2026, sequence=1, draft=0,
        placed_at=datetime.datetime(2026, 3, 2, 8, 0, tzinfo=datetime.UTC),
        supplier=SupplierFactory(customer_number="=7"),
        ordered_on=DAY, expected_on=DAY, told="Oda", note="Back gate",
    )  # fmt: skip
    for step in range(ROWS):
        OrderedLine.objects.create(
            order=order, depot=depot, supplier=order.supplier, product=ProductFactory(code=f"P{step:03}", name="Oil"),
            litres=40, ordered_on=DAY, expected_on=DAY, cost=Decimal("10.50"),
            packs=[{"count": 2, "printed": "20 L", "size_l": 20.0, "price": "5.25"}],
        )  # fmt: skip
    return order


def test_every_row_is_on_a_page_that_says_which_it_is(order: SupplierOrder) -> None:
    content = order_pdf(order)
    pages = [page.decode("cp1252") for page in re.findall(rb"stream\n(.*?)\nendstream", content, re.DOTALL)]
    assert len(pages) > 1
    for place, page in enumerate(pages, start=1):
        assert f"(Order UY-2026-001, page {place} of {len(pages)})" in page
        assert "(Cost, USD)" in page
        lowest = min(float(y) for y in re.findall(r"Tf [\d.]+ ([\d.]+) Td", page))
        assert lowest > 0
    text = "".join(pages)
    assert sorted(re.findall(r"\((P\d{3}) Oil\)", text)) == [f"P{step:03}" for step in range(ROWS)]
    for words in ("(Back gate)", "(3600)", "(945.00)", "(2 × 20 L)"):
        assert words in text
    assert content.count(b"/MediaBox [0 0 612.00 792.00]") == len(pages)
    assert order_pdf(order) == content


def test_the_csv_has_one_row_per_pack_and_runs_nothing(order: SupplierOrder) -> None:
    rows = list(csv.DictReader(io.StringIO(order_csv(order))))
    assert len(rows) == ROWS
    assert {(row["count"], row["pack"], row["litres"], row["cost"], row["currency"]) for row in rows} == {
        ("2", "20 L", "40.0", "10.50", "USD")
    }
    assert rows[0]["customer_number"] == "'=7"
