"""Rows written from columns of numbers, without an object for any row; nan stands for null."""

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection

FloatArray = npt.NDArray[np.float64]

MANY_ROWS = 1_000
"""Of more rows than this a table of the session is truncated, not deleted from. House default."""


def send(table: str, columns: Mapping[str, FloatArray]) -> None:
    """Copy columns into a table of this session on PostgreSQL, emptied at the end of the transaction."""
    fields = ", ".join(f"{name} double precision" for name in columns)
    count, rows = len(columns), len(next(iter(columns.values())))
    row = np.dtype(
        [("fields", ">i2"), *(item for name in columns for item in ((f"{name}_size", ">i4"), (name, ">f8")))]
    )
    packed = np.zeros(rows, dtype=row)
    packed["fields"] = count
    for name, column in columns.items():
        packed[f"{name}_size"], packed[name] = 8, column
    with connection.cursor() as cursor:
        cursor.execute("set local client_min_messages = warning")
        cursor.execute(f"create temporary table if not exists {table} ({fields}) on commit delete rows")
        # What is deleted is gone through again until the transaction ends; to truncate takes longer than a few rows.
        cursor.execute(f"{'truncate' if rows > MANY_ROWS else 'delete from'} {table}")
        with cursor.copy(f"copy {table} ({', '.join(columns)}) from stdin (format binary)") as copy:
            # Signature, flags and length of the header; then the rows; then the end mark.
            copy.write(b"PGCOPY\n\xff\r\n\0" + bytes(8) + packed.tobytes() + b"\xff\xff")


def day_sql(name: str) -> str:
    """Return the SQL of a date whose ordinal was sent, for PostgreSQL."""
    return f"nullif(t.{name}, 'NaN')::int - 1 + date '0001-01-01'"


def whole(column: FloatArray) -> list[int]:
    """Return a column of whole numbers, none of them unknown."""
    return column.astype(np.int64).tolist()


def dates(column: FloatArray) -> list[str | None]:
    """Return a column of ordinals as dates in text."""
    return [None if day != day else date.fromordinal(int(day)).isoformat() for day in column.tolist()]


def numbers(column: FloatArray) -> list[float | None]:
    """Return a column of numbers, None where one is unknown."""
    return [None if value != value else value for value in column.tolist()]


def run(statement: str, params: Sequence[object] | None = None) -> None:
    """Run one statement."""
    with connection.cursor() as cursor:
        cursor.execute(statement, params)


def run_for_each(statement: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Run one statement for each row of parameters."""
    if rows:
        with connection.cursor() as cursor:
            cursor.executemany(statement, rows)
