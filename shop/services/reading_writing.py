"""New readings and their change records written in bulk, without an object for any row."""

import csv
import io
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from django.db import connection

from shop.models import ChangeRecord, ImportRun, Person, Reading
from shop.selectors.column_reading import read_columns
from shop.services.changes import change_note, changes_write
from shop.services.column_writing import run_for_each
from shop.services.reading_judging import reading_key, reading_shown

FloatArray = npt.NDArray[np.float64]

FIELDS = (
    "id", "meter_id", "read_at", "read_on", "source", "raw_text", "raw_value", "true_total", "status",
    "question_code", "question", "guess_value", "answer",
)  # fmt: skip
_TEXTS = "raw_text, question_code, question, answer"

EACH_AT_MOST = 1_000
"""Of more readings that come at once, one change record tells of all. Nothing is lost: a reading keeps what was typed
and when, and the record of its first change how it was judged. House default: a file of a large fleet, not a person."""


def reading_keys(count: int) -> FloatArray:
    """Return the keys of so many readings to come, ascending; nobody else gets them."""
    if connection.vendor == "postgresql":
        # Its name is found once, not for each key.
        name = "(select pg_get_serial_sequence('shop_reading', 'id')::regclass as name offset 0) s"
        keys = read_columns({"id": "nextval(s.name)"}, f"from {name}, generate_series(1, %s)", [count])["id"]
        return np.sort(keys)
    # One connection writes at a time.
    last = read_columns({"id": "max(seq)"}, "from sqlite_sequence where name = 'shop_reading'")["id"]
    return np.nan_to_num(last) + np.arange(1.0, count + 1.0)


def readings_insert(rows: Iterable[tuple[object, ...]]) -> None:
    """Write new readings, each the values of `FIELDS`."""
    if connection.vendor == "postgresql":
        sheet = io.StringIO()
        csv.writer(sheet).writerows(rows)
        # An empty cell is null, except in texts.
        how = f"(format csv, force_not_null ({_TEXTS}))"
        statement = f"copy shop_reading ({', '.join(FIELDS)}) from stdin {how}"
        with connection.cursor() as cursor, cursor.copy(statement) as copy:
            copy.write(sheet.getvalue())
        return
    marks, as_kept = ", ".join(["%s"] * len(FIELDS)), connection.ops.adapt_datetimefield_value
    run_for_each(
        f"insert into shop_reading ({', '.join(FIELDS)}) values ({marks})",
        [(pk, meter, as_kept(read_at), *others) for pk, meter, read_at, *others in rows],
    )


def reading_changes_write(
    pks: FloatArray, *, person: Person | None = None, import_run: ImportRun | None = None
) -> None:
    """Write the change records of new readings, inside the caller's transaction: one each, or one for very many.

    pks: their keys, ascending.
    """
    if len(pks) > EACH_AT_MOST:
        notes = [_note_of_all(pks.astype(int))]
    else:
        some = Reading.objects.filter(pk__in=pks.astype(int).tolist())
        readings = some.select_related("meter__vehicle").order_by("pk")
        notes = [change_note(one, reading_key(one), after=reading_shown(one)) for one in readings]
    changes_write(notes, person=person, import_run=import_run)


def _note_of_all(pks: npt.NDArray[np.int64]) -> ChangeRecord:
    """Return one record of many new readings, with the spans their keys lie in."""
    ends = np.flatnonzero(np.diff(pks) > 1)
    spans = zip(pks[np.append(0, ends + 1)].tolist(), pks[np.append(ends, -1)].tolist(), strict=True)
    key = f"{len(pks)} readings, {pks[0]} to {pks[-1]}"
    return change_note(Reading(), key, after={"count": len(pks), "keys": [list(span) for span in spans]})
