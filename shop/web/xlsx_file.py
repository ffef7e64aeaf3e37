"""Spreadsheet files to download (ECMA-376 workbooks)."""

import io
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from shop.selectors.csv_text import harmless

CONTENT_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
WIDEST = 60


def xlsx_response(name: str, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> HttpResponse:
    """Send rows as a workbook of one sheet named `name`: numbers stay numbers, nothing runs as a formula."""
    book = Workbook()
    sheet = book.active
    sheet.append(list(header))
    for row in rows:
        sheet.append([_cell(value) for value in row])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    sheet.freeze_panes = "A2"
    for place, cells in enumerate(sheet.iter_cols(), start=1):
        longest = max(len(str(cell.value)) for cell in cells if cell.value is not None)
        sheet.column_dimensions[get_column_letter(place)].width = min(longest, WIDEST) + 2
    made = io.BytesIO()
    book.save(made)
    response = HttpResponse(made.getvalue(), content_type=CONTENT_TYPE)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def _cell(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal) else harmless(value)
