"""Due lines and the history of their states written from columns, in a few statements however many there are."""

import json
from collections.abc import Sequence

from django.db import connection

from intervals.clocks import CLOCKS
from intervals.due import STATES
from shop.selectors.due import MUST_NOT_MOVE, OVERLAYS
from shop.selectors.due_columns import DAYS, Columns
from shop.services.column_writing import FloatArray, dates, day_sql, numbers, run, run_for_each, send, whole

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


def state_changes_add(lines: Columns, before: FloatArray) -> None:
    """Note the states lines have moved to; a change that is noted already stays as it is.

    before: place of each line's earlier state in `STATES`; NO_STATE for a line that is new.
    """
    columns = {
        "unit_id": lines["unit_id"], "rule_id": lines["rule_id"], "day": lines["worked_out_for"],
        "from_state": before, "to_state": lines["state"],
    }  # fmt: skip
    names = ", ".join(columns)
    if connection.vendor == "postgresql":
        send("state_changes_coming", columns)
        run(
            f"insert into shop_statechange ({names}) select t.unit_id::bigint, t.rule_id::bigint, {day_sql('day')}, "
            f"{_text_sql('from_state', STATES)}, {_text_sql('to_state', STATES)} from state_changes_coming t "
            "on conflict do nothing"
        )
        return
    rows = zip(
        whole(columns["unit_id"]), whole(columns["rule_id"]), dates(columns["day"]),
        _texts(before, STATES), _texts(columns["to_state"], STATES), strict=True,
    )  # fmt: skip
    run_for_each(f"insert or ignore into shop_statechange ({names}) values (%s, %s, %s, %s, %s)", list(rows))


def lines_remove(ids: FloatArray) -> None:
    """Delete stored lines by their keys."""
    run_for_each("delete from shop_dueline where id = %s", [(pk,) for pk in whole(ids)])


def _write_at_once(lines: Columns) -> None:
    send(TABLE, {name: lines[name] for name in ("id", *KEYS, *CONTENT) if name != "must_not_move"})
    values = {
        **{name: f"t.{name}::bigint" for name in KEYS},
        **{name: f"nullif(t.{name}, 'NaN')" for name in NUMBERS},
        **{name: day_sql(name) for name in DAYS},
        "state": _text_sql("state", STATES),
        "clock": _text_sql("clock", CLOCKS),
        "due_clock": _text_sql("due_clock", CLOCKS),
        "overlays": f"{_text_sql('overlays', [json.dumps(own) for own in OVERLAY_SETS])}::jsonb",
        "must_not_move": f"(t.overlays::int & {MUST_NOT_MOVE_BIT}) > 0",
    }
    pairs = ", ".join(f"{name} = {sql}" for name, sql in values.items() if name not in ("unit_id", "rule_id"))
    run(f"update shop_dueline d set {pairs} from {TABLE} t where t.id > 0 and d.id = t.id::bigint")
    run(
        f"insert into shop_dueline ({', '.join(values)}) select {', '.join(values.values())} "
        f"from {TABLE} t where t.id = 0"
    )


def _write_each(lines: Columns) -> None:
    values = {
        **{name: whole(lines[name]) for name in KEYS},
        **{name: numbers(lines[name]) for name in NUMBERS},
        **{name: dates(lines[name]) for name in DAYS},
        "state": _texts(lines["state"], STATES),
        "clock": _texts(lines["clock"], CLOCKS),
        "due_clock": _texts(lines["due_clock"], CLOCKS),
        "overlays": _texts(lines["overlays"], [json.dumps(own) for own in OVERLAY_SETS]),
        "must_not_move": [bits & MUST_NOT_MOVE_BIT > 0 for bits in whole(lines["overlays"])],
    }
    rows, ids = list(zip(*values.values(), strict=True)), whole(lines["id"])
    marks = ", ".join(["%s"] * len(values))
    run_for_each(
        f"insert into shop_dueline ({', '.join(values)}) values ({marks})",
        [row for row, pk in zip(rows, ids, strict=True) if not pk],
    )
    pairs = ", ".join(f"{name} = %s" for name in values)
    run_for_each(
        f"update shop_dueline set {pairs} where id = %s",
        [(*row, pk) for row, pk in zip(rows, ids, strict=True) if pk],
    )


def _text_sql(name: str, texts: Sequence[str]) -> str:
    listed = ", ".join(f"'{text}'" for text in texts)
    return f"coalesce((array[{listed}])[t.{name}::int + 1], '')"


def _texts(places: FloatArray, texts: Sequence[str]) -> list[str]:
    return [texts[place] if place >= 0 else "" for place in whole(places)]
