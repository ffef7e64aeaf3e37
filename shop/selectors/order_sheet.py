"""An order as it goes to the supplier: the sheet as PDF and as CSV."""

from collections.abc import Iterator
from decimal import Decimal

from shop.models import OrderedLine, SupplierOrder
from shop.selectors.csv_text import csv_lines
from shop.selectors.pdf_pages import PAPERS_MM, Rule, Text, pdf_file, wrapped

CSV_HEADER = [
    "order", "ordered_on", "customer_number", "product", "product_name", "count", "pack", "pack_size_l", "litres",
    "price", "cost", "currency", "expected_on",
]  # fmt: skip
MARGIN_MM = 20.0
LINE_MM = 5.5
BOTTOM_MM = 25.0
SIZE_PT = 10.0


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
    return pdf_file(_Sheet(order).pages(), order.depot.paper, f"Order {order.number}")


def _packs(order: SupplierOrder) -> Iterator[tuple[OrderedLine, dict[str, object]]]:
    for line in order.lines.select_related("product").order_by("product__code"):
        for pack in line.packs:
            yield line, pack


class _Sheet:
    """Fills pages from the top, with the table's head on each."""

    def __init__(self, order: SupplierOrder) -> None:
        self.order = order
        self.width_mm, self.height_mm = PAPERS_MM[order.depot.paper]
        self.right_mm = self.width_mm - MARGIN_MM
        self.room_mm = self.right_mm - MARGIN_MM
        self.done: list[list[Text | Rule]] = []
        self.y_mm = 0.0

    def pages(self) -> list[list[Text | Rule]]:
        """Return the finished pages, each with its number."""
        self._new_page()
        self._head()
        self._table_head()
        for line, pack in _packs(self.order):
            self._row(line, pack)
        self._foot()
        for place, page in enumerate(self.done, start=1):
            words = f"Order {self.order.number}, page {place} of {len(self.done)}"
            page.append(Text(MARGIN_MM, self.height_mm - 12.0, words, 8.0))
        return self.done

    def _new_page(self) -> None:
        self.done.append([])
        self.y_mm = 25.0

    def _write(
        self, words: str, *, x_mm: float = MARGIN_MM, size_pt: float = SIZE_PT, bold: bool = False
    ) -> None:
        self.done[-1].append(Text(x_mm, self.y_mm, words, size_pt, bold))

    def _down(self, lines: float = 1.0) -> None:
        self.y_mm += lines * LINE_MM

    def _head(self) -> None:
        order, depot, supplier = self.order, self.order.depot, self.order.supplier
        self._write(f"Order {order.number}", size_pt=18.0, bold=True)
        self._down(2)
        facts = [
            ("From", f"{depot.name} ({depot.code})"),
            ("To", supplier.name),
            ("Customer number", supplier.customer_number),
            ("Ordered on", f"{order.ordered_on:%d %b %Y}"),
            ("Ordered by", str(order.placed_by or "")),
            ("Expected on", f"{order.expected_on:%a %d %b %Y}"),
        ]
        for name, value in facts:
            if value:
                self._write(name)
                self._write(value, x_mm=MARGIN_MM + 40.0, bold=True)
                self._down()
        for words in wrapped(order.note, SIZE_PT, self.room_mm):
            self._write(words)
            self._down()
        self._down()

    def _table_head(self) -> None:
        self._write("Packs", bold=True)
        self._write("Product", x_mm=MARGIN_MM + 40.0, bold=True)
        self._right("Litres", self.right_mm - 52.0)
        self._right("Each", self.right_mm - 28.0)
        self._right(f"Cost, {self.order.depot.currency}", self.right_mm)
        self.done[-1].append(Rule(MARGIN_MM, self.y_mm + 2.0, self.room_mm))
        self._down(1.4)

    def _right(self, words: str, x_mm: float, *, bold: bool = False) -> None:
        self.done[-1].append(Text(x_mm, self.y_mm, words, SIZE_PT, bold, True))

    def _row(self, line: OrderedLine, pack: dict[str, object]) -> None:
        names = wrapped(
            f"{line.product.code} {line.product.name}", SIZE_PT, self.right_mm - 70.0 - MARGIN_MM - 40.0
        )
        if self.y_mm + len(names) * LINE_MM > self.height_mm - BOTTOM_MM:
            self._new_page()
            self._table_head()
        price = Decimal(str(pack["price"]))
        self._write(f"{pack['count']} × {pack['printed']}", bold=True)
        self._right(f"{pack['count'] * pack['size_l']:.10g}", self.right_mm - 52.0)
        self._right(f"{price:.2f}", self.right_mm - 28.0)
        self._right(f"{pack['count'] * price:.2f}", self.right_mm)
        for words in names:
            self._write(words, x_mm=MARGIN_MM + 40.0)
            self._down()

    def _foot(self) -> None:
        if self.y_mm + 4 * LINE_MM > self.height_mm - 15.0:
            self._new_page()
        lines = list(self.order.lines.all())
        self.done[-1].append(Rule(MARGIN_MM, self.y_mm - 2.5, self.room_mm))
        self._down(0.4)
        self._write("Together", bold=True)
        self._right(f"{sum(line.litres for line in lines):.10g}", self.right_mm - 52.0, bold=True)
        self._right(f"{sum(line.cost or 0 for line in lines):.2f}", self.right_mm, bold=True)
        self._down(2)
        self._write(f"Please write {self.order.number} on the delivery note.")
