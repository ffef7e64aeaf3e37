"""An order as it goes to the supplier: the sheet as PDF and as CSV."""

from collections.abc import Iterator
from decimal import Decimal

from shop.models import OrderedLine, SupplierOrder
from shop.selectors.csv_text import csv_lines

CSV_HEADER = [
    "order", "ordered_on", "customer_number", "product", "product_name", "count", "pack", "pack_size_l", "litres",
    "price", "cost", "currency", "expected_on",
]  # fmt: skip


def order_csv(order: SupplierOrder) -> str:
    """Return the order as CSV text, one row per pack size."""
    return "".join(csv_lines(CSV_HEADER, _csv_rows(order)))


def _csv_rows(order: SupplierOrder) -> Iterator[list[object]]:
    for line, pack in _packs(order):
        price = Decimal(pack["price"])
        yield [
            order.number, order.ordered_on, order.supplier.customer_number, line.product.code, line.product.name,
            pack["count"], pack["printed"], pack["size_l"], pack["count"] * pack["size_l"], price,
            pack["count"] * price, order.depot.currency, line.expected_on,
        ]  # fmt: skip


def order_pdf(order: SupplierOrder) -> bytes:
    """Return the order as a PDF file on the depot's paper; the same order is the same file."""
    from shop.selectors.order_paper import OrderPaper  # loads the PDF library, which takes a second

    return OrderPaper(order, _packs(order)).content()


def _packs(order: SupplierOrder) -> Iterator[tuple[OrderedLine, dict[str, object]]]:
    for line in order.lines.select_related("product").order_by("product__code"):
        for pack in line.packs:
            yield line, pack
