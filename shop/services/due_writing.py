"""Due lines and the history of their states written from columns, in a few statements however many there are."""

import json
from collections.abc import Sequence
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.clocks import CLOCKS
from intervals.due import STATES
from shop.selectors.due import MUST_NOT_MOVE, OVERLAYS
from shop.selectors.due_columns import DAYS, Columns

KEYS = ("unit_id", "rule_id", "vehicle_id")
NUMBERS = ("used_share", "cycle_days")
OVERLAY_SETS = [
    [name for place, name in enumerate(OVERLAYS) if bits & (1 << place)] for bits in range(1 << len(OVERLAYS))
]
MUST_NOT_MOVE_BIT = 1 << OVERLAYS.index(MUST_NOT_MOVE)
CONTENT = ("state", "overlays", "must_not_move", "clock", "due_clock", *NUMBERS, *DAYS)
TABLE = "due_lines_coming"
NO_STATE = -1.0


def lines_write(lines: Columns) -> None:
    """Write lines over those with the same `id`, and add those whose `id` is 0; inside the caller's transaction."""
    if connection.vendor == "postgresql":
        _write_at_once(lines)
    else:
        _write_each(lines)


def state_changes_add(lines: Columns, before: npt.NDArray[np.float64]) -> None:
    """Note the states lines have moved to; a change that is noted already stays as it is.

    before: place of each line's earlier state in `STATES`; NO_STATE for a line that is new.
    """
    columns = {
        "unit_id": lines["unit_id"], "rule_id": lines["rule_id"], "day": lines["worked_out_for"],
        "from_state": before, "to_state": lines["state"],
    }  # fmt: skip
    names = ", ".join(columns)
    if connection.vendor == "postgresql":
        _send("state_changes_coming", columns)
        _run(
            f"insert into shop_statechange ({names}) select t.unit_id::bigint, t.rule_id::bigint, {_day_sql('day')}, "
            f"{_text_sql('from_state', STATES)}, {_text_sql('to_state', STATES)} from state_changes_coming t "
            "on conflict do nothing"
        )
        return
    rows = zip(
        _whole(columns["unit_id"]), _whole(columns["rule_id"]), _dates(columns["day"]),
        _texts(before, STATES), _texts(columns["to_state"], STATES), strict=True,
    )  # fmt: skip
    _run_each(f"insert or ignore into shop_statechange ({names}) values (%s, %s, %s, %s, %s)", list(rows))


def lines_remove(ids: npt.NDArray[np.float64]) -> None:
    """Delete stored lines by their keys."""
    _run_each("delete from shop_dueline where id = %s", [(pk,) for pk in _whole(ids)])


def _write_at_once(lines: Columns) -> None:
    _send(TABLE, {name: lines[name] for name in ("id", *KEYS, *CONTENT) if name != "must_not_move"})
    values = {
        **{name: f"t.{name}::bigint" for name in KEYS},
        **{name: f"nullif(t.{name}, 'NaN')" for name in NUMBERS},
        **{name: _day_sql(name) for name in DAYS},
        "state": _text_sql("state", STATES),
        "clock": _text_sql("clock", CLOCKS),
        "due_clock": _text_sql("due_clock", CLOCKS),
        "overlays": f"{_text_sql('overlays', [json.dumps(own) for own in OVERLAY_SETS])}::jsonb",
        "must_not_move": f"(t.overlays::int & {MUST_NOT_MOVE_BIT}) > 0",
    }
    pairs = ", ".join(f"{name} = {sql}" for name, sql in values.items() if name not in ("unit_id", "rule_id"))
    _run(f"update shop_dueline d set {pairs} from {TABLE} t where t.id > 0 and d.id = t.id::bigint")
    _run(
        f"insert into shop_dueline ({', '.join(values)}) select {', '.join(values.values())} "
        f"from {TABLE} t where t.id = 0"
    )


def _send(table: str, columns: Columns) -> None:
    """Copy columns of numbers into a table of this session, emptied at the end of the transaction."""
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
        cursor.execute(f"delete from {table}")
        with cursor.copy(f"copy {table} ({', '.join(columns)}) from stdin (format binary)") as copy:
            # Signature, flags and length of the header; then the rows; then the end mark.
            copy.write(b"PGCOPY\n\xff\r\n\0" + bytes(8) + packed.tobytes() + b"\xff\xff")


def _write_each(lines: Columns) -> None:
    values = {
        **{name: _whole(lines[name]) for name in KEYS},
        **{name: [None if value != value else value for value in lines[name].tolist()] for name in NUMBERS},
        **{name: _dates(lines[name]) for name in DAYS},
        "state": _texts(lines["state"], STATES),
        "clock": _texts(lines["clock"], CLOCKS),
        "due_clock": _texts(lines["due_clock"], CLOCKS),
        "overlays": _texts(lines["overlays"], [json.dumps(own) for own in OVERLAY_SETS]),
        "must_not_move": [bits & MUST_NOT_MOVE_BIT > 0 for bits in _whole(lines["overlays"])],
    }
    rows, ids = list(zip(*values.values(), strict=True)), _whole(lines["id"])
    marks = ", ".join(["%s"] * len(values))
    _run_each(
        f"insert into shop_dueline ({', '.join(values)}) values ({marks})",
        [row for row, pk in zip(rows, ids, strict=True) if not pk],
    )
    pairs = ", ".join(f"{name} = %s" for name in values)
    _run_each(
        f"update shop_dueline set {pairs} where id = %s",
        [(*row, pk) for row, pk in zip(rows, ids, strict=True) if pk],
    )


def _day_sql(name: str) -> str:
    return f"nullif(t.{name}, 'NaN')::int - 1 + date '0001-01-01'"


def _text_sql(name: str, texts: Sequence[str]) -> str:
    listed = ", ".join(f"'{text}'" for text in texts)
    return f"coalesce((array[{listed}])[t.{name}::int + 1], '')"


def _whole(column: npt.NDArray[np.float64]) -> list[int]:
    return column.astype(np.int64).tolist()


def _dates(column: npt.NDArray[np.float64]) -> list[str | None]:
    return [None if day != day else date.fromordinal(int(day)).isoformat() for day in column.tolist()]


def _texts(places: npt.NDArray[np.float64], texts: Sequence[str]) -> list[str]:
    return [texts[place] if place >= 0 else "" for place in _whole(places)]


def _run(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


def _run_each(statement: str, rows: list[tuple[object, ...]]) -> None:
    if rows:
        with connection.cursor() as cursor:
            cursor.executemany(statement, rows)
