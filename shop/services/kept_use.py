"""What is kept of the use of meters: dropped by the database with any news, worked out again by who needs it."""

from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.usage import busiest_per_day, usage_from_readings
from shop.models import MeterUse
from shop.selectors.column_reading import one_of, read_columns
from shop.selectors.meter_usage import best_readings
from shop.services.column_writing import dates, day_sql, numbers, run, run_for_each, send

FloatArray = npt.NDArray[np.float64]
KEPT = ("rate_per_day", "sigma_per_sqrt_day", "last_total", "intervals_used", "is_class_rate", "reason")


def use_keep(unit_pks: FloatArray) -> None:
    """Work out and keep the use of those meters of units' vehicles of which nothing is kept.

    Inside the caller's transaction. The meters are held until its end: a reading that comes meanwhile waits, and then
    drops what was kept without it. A meter somebody else holds is left: waiting for him could be for ever, as he may
    wait for this one.
    """
    fitted = f"from shop_fitting f where f.removed_on is null and {one_of('f.unit_id', unit_pks)}"
    vehicles = read_columns({"vehicle": "f.vehicle_id"}, fitted)["vehicle"]
    meters = read_columns({"pk": "m.id"}, f"from shop_meter m where {one_of('m.vehicle_id', vehicles)}")["pk"]
    kept = read_columns({"pk": "k.meter_id"}, f"from shop_meteruse k where {one_of('k.meter_id', meters)}")[
        "pk"
    ]
    missing = np.setdiff1d(meters, kept)
    if len(missing):
        _keep(missing)


def meters_hold(meter_pks: FloatArray) -> None:
    """Hold all meters of the vehicles these belong to until the transaction ends, and read nothing of them.

    Whoever writes readings calls this first, once for all it is going to touch: all take meters in the order of their
    keys, so that no two wait for each other.
    """
    if connection.vendor == "postgresql":
        of_vehicles = f"select vehicle_id from shop_meter where {one_of('id', meter_pks)}"
        run(f"select id from shop_meter where vehicle_id in ({of_vehicles}) order by id for update")


def _keep(meter_pks: FloatArray) -> None:
    free = "for update skip locked" if connection.vendor == "postgresql" else ""
    rates = read_columns(
        {"meter": "m.id", "class_rate": "m.class_rate_per_day"},
        f"from (select id, class_rate_per_day from shop_meter where {one_of('id', meter_pks)} order by id {free}) m",
    )
    days, totals = best_readings(rates["meter"], date.max)
    usage = usage_from_readings(days, totals, date.max.toordinal(), rates["class_rate"])
    columns = {
        "meter_id": rates["meter"],
        "last_day": usage.last_day,
        "busiest_per_day": busiest_per_day(days, totals),
        **{name: getattr(usage, name).astype(np.float64) for name in KEPT},
    }
    names = ", ".join(columns)
    if connection.vendor == "postgresql":
        send("use_of_meters_coming", columns)
        values = {name: f"nullif(t.{name}, 'NaN')" for name in columns} | {
            "last_day": day_sql("last_day"), "is_class_rate": "t.is_class_rate > 0",
        }  # fmt: skip
        run(
            f"insert into shop_meteruse ({names}) select {', '.join(values.values())} from use_of_meters_coming t "
            "on conflict do nothing"
        )
        return
    rows = zip(
        *(dates(column) if name == "last_day" else numbers(column) for name, column in columns.items()),
        strict=True,
    )
    marks = ", ".join(["%s"] * len(columns))
    run_for_each(f"insert or ignore into shop_meteruse ({names}) values ({marks})", list(rows))


def lay_triggers(**_: Any) -> None:
    """Let the database drop what is kept of a meter with any news of its readings or its class, whoever writes it.

    After each migration: on SQLite a change to a table takes its triggers away.
    """
    if MeterUse._meta.db_table not in connection.introspection.table_names():
        return
    with connection.cursor() as cursor:
        for statement in _postgresql() if connection.vendor == "postgresql" else _sqlite():
            cursor.execute(statement)


def _sqlite() -> list[str]:
    def drops(table: str, event: str, key: str) -> str:
        name = f"{table}_{event.split()[0]}_{key.replace('.', '_')}"
        return (
            f"create trigger if not exists {name} after {event} on {table} for each row "
            f"begin delete from shop_meteruse where meter_id = {key}; end"
        )

    return [
        drops("shop_reading", "insert", "new.meter_id"),
        drops("shop_reading", "update", "new.meter_id"),
        drops("shop_reading", "update", "old.meter_id"),
        drops("shop_reading", "delete", "old.meter_id"),
        drops("shop_meter", "update of class_rate_per_day", "new.id"),
    ]


def _postgresql() -> list[str]:
    drop = "delete from shop_meteruse k using touched t where t.{key} = k.meter_id"
    functions = [
        f"create or replace function {name}() returns trigger language plpgsql as "
        f"$$ begin {drop.format(key=key)}; return null; end $$"
        for name, key in (("drop_use_of_reading", "meter_id"), ("drop_use_of_meter", "id"))
    ]

    def drops(name: str, event: str, side: str, table: str, function: str) -> list[str]:
        return [
            f"drop trigger if exists {name} on {table}",
            f"create trigger {name} after {event} on {table} referencing {side} table as touched "
            f"for each statement execute function {function}()",
        ]

    reading = ("shop_reading", "drop_use_of_reading")
    return [
        *functions,
        *drops("reading_came", "insert", "new", *reading),
        *drops("reading_became", "update", "new", *reading),
        *drops("reading_was", "update", "old", *reading),
        *drops("reading_went", "delete", "old", *reading),
        *drops("meter_became", "update", "new", "shop_meter", "drop_use_of_meter"),
    ]
