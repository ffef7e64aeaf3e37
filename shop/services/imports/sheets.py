"""Sheets: one CSV file read into numbered rows, or one sentence on why it cannot be read."""

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from shop.services.imports.cells import nearest


class SheetError(Exception):
    """A whole file cannot be used; the sentence says why."""


@dataclass(slots=True)
class Row:
    """One row of a sheet.

    Attributes:
        line: its line in the file; the header is line 1.
        cells: column name → text without outer blanks.
        values: column name → parsed value; a blank cell gives the column's blank value.
        errors: (column, sentence); a row with errors is not loaded.
        remarks: sentences on what was left as it was, though the row is good.
    """

    line: int
    cells: Mapping[str, str]
    values: dict[str, object] = field(default_factory=dict)
    errors: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def refuse(self, column: str, sentence: str) -> None:
        """Note one reason not to load this row."""
        self.errors.append((column, sentence))

    def remark(self, sentence: str) -> None:
        """Note once what was left as it was."""
        if sentence not in self.remarks:
            self.remarks.append(sentence)

    def has(self, column: str) -> bool:
        """Say whether the sheet has this column at all."""
        return column in self.cells


def read_sheet(content: bytes, allowed: tuple[str, ...], needed: tuple[str, ...]) -> list[Row]:
    """Return the rows of a CSV file.

    Args:
        content: the file: UTF-8, with or without a byte-order mark, any line ends, separated by commas.
        allowed: the columns the table knows.
        needed: the columns that must be there.

    Raises:
        SheetError: the file as a whole cannot be read.
    """
    header, records = sheet_records(content, allowed, needed)
    rows = []
    for line, record in records:
        row = Row(line, dict(zip(header, record, strict=False)))
        if wrong := width_error(header, record):
            row.refuse(*wrong)
        rows.append(row)
    return rows


def sheet_records(
    content: bytes, allowed: tuple[str, ...], needed: tuple[str, ...]
) -> tuple[list[str], Iterator[tuple[int, list[str]]]]:
    """Return the header of a CSV file and an iterator over line and cells of its rows; otherwise as `read_sheet`."""
    reader = csv.reader(io.StringIO(_decoded(content), newline=""), strict=True)
    records = _records(reader)
    header = next(records, (1, []))[1]
    _check_header(header, allowed, needed)
    return header, records


def width_error(header: list[str], record: list[str]) -> tuple[str, str] | None:
    """Return column and sentence where a row has not as many cells as the header."""
    if len(record) == len(header):
        return None
    return header[min(len(record), len(header)) - 1], (
        f"the row has {len(record)} cells and the header {len(header)}; add or remove commas, "
        "and put a text that holds a comma in double quotes."
    )


def _decoded(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise SheetError("the file is UTF-16, not UTF-8; save it again as “CSV UTF-8”.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SheetError(
            f"the file is not UTF-8 (line {line} holds a character of another encoding); "
            "save it again as “CSV UTF-8”."
        ) from error


def _records(reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
    """Yield the line a record starts on and its cells without outer blanks; wholly empty lines are left out."""
    while True:
        line = reader.line_num + 1  # type: ignore[attr-defined]
        try:
            record = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise SheetError(
                f"line {line} is not CSV ({error}); check that every double quote has its partner."
            ) from error
        cells = [cell.strip() for cell in record]
        if any(cells):
            yield line, cells


def _check_header(header: list[str], allowed: tuple[str, ...], needed: tuple[str, ...]) -> None:
    if not header:
        raise SheetError(f"the file is empty; its first line must name columns: {', '.join(allowed)}.")
    if len(header) == 1 and len(allowed) > 1 and (";" in header[0] or "\t" in header[0]):
        raise SheetError("the cells are separated by semicolons or tabs; save the file with commas.")
    for name in header:
        if not name:
            raise SheetError("a column has no name in the header; name it or remove it.")
        if header.count(name) > 1:
            raise SheetError(f"the column “{name}” stands twice in the header; keep one.")
        if name not in allowed:
            raise SheetError(
                f"the column “{name}” is not known; allowed: {', '.join(allowed)}.{nearest(name, allowed)}"
            )
    missing = [name for name in needed if name not in header]
    if missing:
        raise SheetError(f"the column {', '.join(missing)} is missing in the header; add it.")
