"""The least that any due engine could do, as far as a database can be asked for it: the limits of the benchmark."""

import datetime
from typing import Any

import numpy as np
from django.db import connection

from shop.models import DueLine, Reading
from shop.selectors.column_reading import keys_of, one_of
from shop.selectors.due_columns import DAYS
from shop.services.due import row_by_row
from shop.services.reading_columns import ReadingRow

READING = "meter_id, read_on, source, read_at, true_total"
FLEET = (
    f"select {READING} from shop_reading where status = 'accepted'",
    "select f.unit_id, f.vehicle_id, f.unit_km_at_fit, f.unit_h_at_fit, f.vehicle_km_at_fit, f.vehicle_h_at_fit, "
    "u.unit_model_id, v.kind, v.season_id, v.leaves_on, v.average_speed_km_h "
    "from shop_fitting f join shop_unit u on u.id = f.unit_id join shop_vehicle v on v.id = f.vehicle_id "
    "where f.removed_on is null",
    "select unit_id, subject, done_on, unit_km, unit_h, age_km, age_h, age_days, run_limit_km, run_limit_h, "
    "run_limit_days from shop_lastservice",
)

DAYS_COMPARED = [name for name in DAYS if name != "next_change_on"]
"""Row by row, a line whose window is open is looked at again every day."""


def copy_fleet() -> None:
    """Read what a full run has to know of the whole fleet: on PostgreSQL inside the server, which keeps none of it."""
    with connection.cursor() as cursor:
        for statement in FLEET:
            if connection.vendor == "postgresql":
                cursor.execute(f"copy ({statement}) to '/dev/null' (format binary)")
            else:
                _fetch(cursor, statement)


def copy_readings(news: list[ReadingRow]) -> None:
    """Fetch the readings of the vehicles with news, and keep none of them."""
    meters = one_of("meter_id", keys_of(row.meter_id for row in news))
    statement = f"select {READING} from shop_reading where status = 'accepted' and {meters}"
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"copy ({statement}) to stdout (format binary)") as copy:
                for _ in copy:
                    pass
        else:
            _fetch(cursor, statement)


def write_lines_bare() -> int:
    """Write the lines of the fleet once more, into a table without keys that a crash would empty."""
    with connection.cursor() as cursor:
        cursor.execute("create temporary table bare_lines as select * from shop_dueline")
        cursor.execute("select count(*) from bare_lines")
        count: int = cursor.fetchone()[0]
        cursor.execute("drop table bare_lines")
    return count


def update_every_line() -> None:
    """Move the date of every line by one statement."""
    with connection.cursor() as cursor:
        cursor.execute("update shop_dueline set due_on = due_on + 1")


def one_by_one(as_of: datetime.date, units: list[int]) -> dict[str, int]:
    """Work units out one after the other, by objects of the database that are saved one by one.

    Returns how many lines there were, and how many have the same days as before.
    """
    count = same = 0
    for unit_pk in units:
        lines = row_by_row(as_of, np.array([unit_pk], dtype=np.float64))
        for at, rule_pk in enumerate(lines["rule_id"].tolist()):
            line = DueLine.objects.get(unit=unit_pk, rule=int(rule_pk))
            before = [getattr(line, name) for name in DAYS_COMPARED]
            for name in DAYS:
                day = lines[name][at]
                setattr(line, name, None if np.isnan(day) else datetime.date.fromordinal(int(day)))
            line.save()
            count += 1
            same += before == [getattr(line, name) for name in DAYS_COMPARED]
    return {"lines": count, "the same": same}


_BARE = ("meter_id", "read_at", "read_on", "source", "raw_text", "raw_value", "true_total", "status",
         "question_code", "question", "answer")  # fmt: skip


def _bare(row: ReadingRow, day: datetime.date) -> tuple[Any, ...]:
    total = float(row.value)
    return row.meter_id, row.read_at, day, row.source, row.value, total, total, "accepted", "", "", ""


def sheet_of(rows: list[ReadingRow], day: datetime.date) -> list[tuple[Any, ...]] | str:
    """Return readings ready to be copied into their table: as text on PostgreSQL, as values on SQLite."""
    if connection.vendor == "postgresql":
        return "".join("\t".join(map(str, _bare(row, day))) + "\n" for row in rows)
    return [
        tuple(str(one) if isinstance(one, datetime.date) else one for one in _bare(row, day)) for row in rows
    ]


def copy_in(sheet: list[tuple[Any, ...]] | str) -> int:
    """Copy readings into their table, unjudged: the least any way of taking them in could do."""
    names = ", ".join(_BARE)
    with connection.cursor() as cursor:
        if isinstance(sheet, str):
            with cursor.copy(f"copy shop_reading ({names}) from stdin") as copy:
                copy.write(sheet)
        else:
            marks = ", ".join(["%s"] * len(_BARE))
            cursor.executemany(f"insert into shop_reading ({names}) values ({marks})", sheet)
        return cursor.rowcount


def write_objects(news: list[ReadingRow], day: datetime.date) -> int:
    """Write readings as objects, unjudged."""
    return len(
        Reading.objects.bulk_create(Reading(**dict(zip(_BARE, _bare(row, day), strict=True))) for row in news)
    )


def _fetch(cursor: Any, statement: str) -> None:
    cursor.execute(statement)
    while cursor.fetchmany(10_000):
        pass
