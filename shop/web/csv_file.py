"""CSV files to download."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.http import StreamingHttpResponse

from shop.selectors.csv_text import csv_lines


def csv_response(name: str, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """Send rows as a CSV file named `name`; what is not known is an empty cell."""
    response = StreamingHttpResponse(csv_lines(header, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
