"""CSV files that a spreadsheet opens without running anything."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.http import StreamingHttpResponse

RUNS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def harmless(value: Any) -> Any:
    """Put an apostrophe before text a spreadsheet would run as a formula; numbers stay numbers."""
    return f"'{value}" if isinstance(value, str) and value.startswith(RUNS_AS_FORMULA) else value


def csv_response(name: str, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """Send rows as a CSV file named `name`; what is not known is an empty cell."""
    response = StreamingHttpResponse(_lines(header, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def _lines(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    for row in (header, *rows):
        writer.writerow([harmless(value) for value in row])
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()
