"""Rows as CSV text that a spreadsheet opens without running anything."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any

RUNS_AS_FORMULA = ("=", "+", "-", "@", "|", "%")
HIDDEN = ("\t", "\r", "\n")


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """Yield the header and each row as one line of CSV; what is not known is an empty cell."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    for row in chain([header], rows):
        writer.writerow([harmless(value) for value in row])
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()


def harmless(value: Any) -> Any:
    """Put an apostrophe before text a spreadsheet would run as a formula; numbers stay numbers."""
    if not isinstance(value, str):
        return value
    runs = value.lstrip().startswith(RUNS_AS_FORMULA) or value.startswith(HIDDEN)
    return f"'{value}" if runs else value
