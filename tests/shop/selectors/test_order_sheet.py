"""The sheet of an order: all rows on it, page after page, on the depot's paper, and the same rows as CSV."""

import csv
import datetime
import io
import re
from decimal import Decimal

import pytest
import time_machine
from pypdf import PdfReader

from shop.models import OrderedLine, SupplierOrder
from shop.selectors.order_sheet import order_csv, order_pdf
from tests.factories import DepotFactory, PersonFactory, ProductFactory, SupplierFactory

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


def reader_of(order: SupplierOrder) -> PdfReader:
    return PdfReader(io.BytesIO(order_pdf(order)), strict=True)


def test_every_row_is_on_a_page_that_says_which_it_is(order: SupplierOrder) -> None:
    pages = reader_of(order).pages
    texts = [page.extract_text() for page in pages]
    assert len(pages) > 1
    for place, (page, text) in enumerate(zip(pages, texts, strict=True), start=1):
        assert f"Order UY-2026-001, page {place} of {len(pages)}" in text
        assert "Cost, USD" in text
        # 8.5 in × 11 in (ANSI/ASME Y14.1, Letter), a point is 1/72 inch.
        assert (page.mediabox.width, page.mediabox.height) == (612, 792)
    text = "\n".join(texts)
    assert sorted(re.findall(r"(P\d{3}) Oil", text)) == [f"P{step:03}" for step in range(ROWS)]
    for words in ("Back gate", "3600", "945.00", "2 × 20 L"):
        assert words in text


def test_the_supplier_reads_whom_to_answer(order: SupplierOrder) -> None:
    order.placed_by = PersonFactory(email="petra@zellowby.example")
    text = " ".join(page.extract_text() for page in reader_of(order).pages)
    assert "petra@zellowby.example" in text
    assert "answer if the day cannot be kept" in text.replace("\n", " ")


def test_letters_of_other_alphabets_are_printed(order: SupplierOrder) -> None:
    order.supplier.name = "Łódź – Αθήνα – Київ – Žďár"
    order.note = "İğdır, Þingeyri; a sign without a letter of its own: 漢"
    reader = reader_of(order)
    text = reader.pages[0].extract_text()
    assert order.supplier.name in text
    assert order.note.replace("漢", "□") in text
    fonts = [font.get_object() for font in reader.pages[0]["/Resources"]["/Font"].values()]
    carried = [font["/DescendantFonts"][0].get_object()["/FontDescriptor"]["/FontFile2"] for font in fonts]
    assert len(carried) == 2  # regular and bold, each in the file


def test_the_same_order_is_the_same_file(order: SupplierOrder) -> None:
    content = order_pdf(order)
    with time_machine.travel("2027-05-06T07:08:09Z"):
        assert order_pdf(order) == content
    reader = reader_of(order)
    assert (reader.metadata.title, reader.metadata.creation_date) == ("Order UY-2026-001", order.placed_at)


def test_the_csv_has_one_row_per_pack_and_runs_nothing(order: SupplierOrder) -> None:
    rows = list(csv.DictReader(io.StringIO(order_csv(order))))
    assert len(rows) == ROWS
    assert {(row["count"], row["pack"], row["litres"], row["cost"], row["currency"]) for row in rows} == {
        ("2", "20 L", "40.0", "10.50", "USD")
    }
    assert rows[0]["customer_number"] == "'=7"
