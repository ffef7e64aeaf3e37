"""New readings and their change records written in bulk, without an object for any row."""

import csv
import io
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from django.db import connection

from shop import clock
from shop.models import ImportRun, Person, Reading
from shop.selectors.column_reading import one_of, read_columns
from shop.services.changes import KEY_LENGTH, change_note, changes_write
from shop.services.column_writing import run, run_for_each
from shop.services.reading_judging import reading_key, reading_shown

FloatArray = npt.NDArray[np.float64]

FIELDS = (
    "id", "meter_id", "read_at", "read_on", "source", "raw_text", "raw_value", "true_total", "status",
    "question_code", "question", "guess_value", "answer",
)  # fmt: skip
_TEXTS = "raw_text, question_code, question, answer"
_NOTES_AT_ONCE = 5_000


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
    """Write a change record for each of some new readings, inside the caller's transaction."""
    if not len(pks):
        return
    if connection.vendor == "postgresql":
        _changes_write_at_once(pks, person, import_run)
        return
    for at in range(0, len(pks), _NOTES_AT_ONCE):
        some = Reading.objects.filter(pk__in=pks[at : at + _NOTES_AT_ONCE].astype(int).tolist())
        readings = some.select_related("meter__vehicle").order_by("pk")
        notes = [change_note(one, reading_key(one), after=reading_shown(one)) for one in readings]
        changes_write(notes, person=person, import_run=import_run)


def _changes_write_at_once(pks: FloatArray, person: Person | None, import_run: ImportRun | None) -> None:
    def number(name: str) -> str:
        # JSON written by Python keeps the point of a whole number.
        point = f"case when r.{name} = trunc(r.{name}) then '.0' else '' end"
        return f"case when abs(r.{name}) < 1e15 then (r.{name}::text || {point})::numeric else r.{name}::numeric end"

    kept = {
        name: number(name) if name in ("raw_value", "true_total", "guess_value") else f"r.{name}"
        for name in reading_shown(Reading())
    }
    after = ", ".join(f"'{name}', {sql}" for name, sql in kept.items())
    minute = "to_char(r.read_at at time zone 'UTC', 'YYYY-MM-DD HH24:MI')"
    key = f"left(v.number || ' ' || m.kind || ' ' || {minute} || 'Z ' || r.source, {KEY_LENGTH})"
    run(
        'insert into shop_changerecord ("table", key, action, before, after, changed_at, changed_by_id, import_run_id) '
        f"select %s, {key}, 'added', '{{}}'::jsonb, jsonb_build_object({after}), %s::timestamptz, %s::bigint, "
        "%s::bigint from shop_reading r join shop_meter m on m.id = r.meter_id "
        f"join shop_vehicle v on v.id = m.vehicle_id where {one_of('r.id', pks)} order by r.id",
        [
            str(Reading._meta.verbose_name), clock.now(), person and person.pk, import_run and import_run.pk,
        ],
    )  # fmt: skip
