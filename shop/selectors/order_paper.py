"""The sheet of an order as a PDF file.

DejaVu Sans is carried in the file, so Latin, Greek, Cyrillic, Armenian and Georgian letters print on every reader; a
sign it does not have (Chinese, Japanese, Korean) prints as a box. Mail and CSV carry every character.
"""

from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path

from fpdf import FPDF, FontFace, ViewerPreferences, XPos, YPos

from shop.models import OrderedLine, SupplierOrder

FONTS = Path(__file__).resolve().parent.parent / "fonts"
MARGIN_MM = 20.0
NAMES_MM = 42.0
LINE_MM = 5.5
SIZE_PT = 9.5
BOLD = FontFace(emphasis="BOLD")
COUNT_MM, LITRES_MM, EACH_MM, COST_MM = 28.0, 20.0, 24.0, 30.0


class OrderPaper(FPDF):
    """The pages of one order, with the table's head and the page's number on each."""

    def __init__(self, order: SupplierOrder, packs: Iterable[tuple[OrderedLine, dict[str, object]]]) -> None:
        super().__init__(format=order.depot.paper)
        self.order = order
        self.set_title(f"Order {order.number}")
        self.set_creator("Hatchmark")
        self.set_lang("en-GB")
        self.viewer_preferences = ViewerPreferences(display_doc_title=True)
        self.set_creation_date(order.placed_at)
        self.add_font("DejaVu", fname=FONTS / "DejaVuSans.ttf")
        self.add_font("DejaVu", "B", FONTS / "DejaVuSans-Bold.ttf")
        self.set_margins(MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, margin=MARGIN_MM + 5.0)
        self.set_draw_color(150)
        self.set_line_width(0.2)
        self.add_page()
        self._write_head()
        self._write_packs(packs)

    def content(self) -> bytes:
        """Return the file."""
        content = bytes(self.output())
        for font in self.fonts.values():
            font.close()
        return content

    def normalize_text(self, text: str) -> str:
        """Return the words with a box for each sign the typeface does not have."""
        known = self.current_font.cmap
        return "".join(sign if sign in "\r\n" or ord(sign) in known else "□" for sign in text)

    def footer(self) -> None:
        """Write which page of which order this is."""
        self.set_y(-MARGIN_MM + 4.0)
        self.set_font("DejaVu", size=8.0)
        self.cell(text=f"Order {self.order.number}, page {self.page_no()} of {{nb}}")

    def _write_head(self) -> None:
        order, depot, supplier = self.order, self.order.depot, self.order.supplier
        self.set_font("DejaVu", "B", 18.0)
        self.cell(h=10.0, text=f"Order {order.number}", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(LINE_MM)
        facts = [
            ("From", f"{depot.name} ({depot.code})"),
            ("To", supplier.name),
            ("Customer number", supplier.customer_number),
            ("Ordered on", f"{order.ordered_on:%d %b %Y}"),
            ("Ordered by", str(order.placed_by or "")),
            ("Answer to", order.placed_by.email if order.placed_by else ""),
            ("Expected on", f"{order.expected_on:%a %d %b %Y}"),
        ]
        for name, value in facts:
            if value:
                self.set_font("DejaVu", size=SIZE_PT)
                self.cell(NAMES_MM, LINE_MM, name)
                self.set_font("DejaVu", "B", SIZE_PT)
                self._paragraph(value)
        self.set_font("DejaVu", size=SIZE_PT)
        if order.note:
            self.ln(LINE_MM / 2)
            self._paragraph(order.note)
        self.ln(LINE_MM)

    def _paragraph(self, words: str) -> None:
        self.multi_cell(0, LINE_MM, words, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def _write_packs(self, packs: Iterable[tuple[OrderedLine, dict[str, object]]]) -> None:
        widths = (COUNT_MM, self.epw - COUNT_MM - LITRES_MM - EACH_MM - COST_MM, LITRES_MM, EACH_MM, COST_MM)
        with self.table(
            col_widths=widths, text_align=("LEFT", "LEFT", "RIGHT", "RIGHT", "RIGHT"), v_align="TOP",
            borders_layout="HORIZONTAL_LINES", headings_style=BOLD, line_height=LINE_MM, padding=(1.0, 1.0),
        ) as table:  # fmt: skip
            table.row(("Packs", "Product", "Litres", "Each", f"Cost, {self.order.depot.currency}"))
            for line, pack in packs:
                price = Decimal(str(pack["price"]))
                table.row((
                    f"{pack['count']} × {pack['printed']}", f"{line.product.code} {line.product.name}",
                    f"{pack['count'] * pack['size_l']:.10g}", f"{price:.2f}", f"{pack['count'] * price:.2f}",
                ))  # fmt: skip
            lines = list(self.order.lines.all())
            litres, cost = sum(line.litres for line in lines), sum(line.cost or 0 for line in lines)
            table.row(("Together", "", f"{litres:.10g}", "", f"{cost:.2f}"), style=BOLD)
        self.ln(LINE_MM)
        self._paragraph(
            f"Please write {self.order.number} on the delivery note, and answer if the day cannot be kept."
        )
