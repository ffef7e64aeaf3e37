"""Works out the due lines and writes those that changed, with the history of their states."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection, transaction

from shop import clock
from shop.models import Depot, Fitting
from shop.selectors.column_reading import (
    KEYS_AT_ONCE,
    UNKNOWN,
    in_parts,
    joined,
    keys_of,
    one_of,
    place_of,
    read_columns,
    taken,
)
from shop.selectors.core_inputs import gather
from shop.selectors.due_columns import (
    EVERY_DAY,
    Columns,
    LineKeys,
    as_columns,
    hold_steady,
    is_worth_writing,
    stored_columns,
)
from shop.selectors.line_columns import LineColumns, gather_columns
from shop.selectors.overlays import may_carry_overlays, overlay_bits
from shop.services.column_writing import run, whole
from shop.services.due_writing import NO_STATE, lines_remove, lines_write, state_changes_add
from shop.services.kept_use import use_keep

FloatArray = npt.NDArray[np.float64]

BLOCK_UNITS = 15_000
"""Units are held in blocks of so many keys: less work than a lock each."""

LINES_LOCK = 1
"""Names this kind of lock among PostgreSQL's advisory ones."""


@dataclass(frozen=True, slots=True)
class DueReport:
    """What a refresh did, in lines."""

    lines: int
    added: int
    changed: int
    removed: int
    state_changes: int


def due_refresh(as_of: date, unit_pks: FloatArray) -> DueReport:
    """Work out the due lines of some units as of a local day and write what changed.

    Lines of units that are no longer fitted or no longer have the rule are removed. Repeating it changes nothing. The
    caller's transaction holds the units.
    """
    carriers = may_carry_overlays(as_of) if len(unit_pks) else set()
    units = np.unique(unit_pks)
    if len(units) > KEYS_AT_ONCE:
        units = by_vehicle(units)
    parts = [_refresh_some(as_of, part, carriers) for part in in_parts(units)]
    return DueReport(*(sum(getattr(part, name) for part in parts) for name in DueReport.__slots__))


def due_refresh_now(vehicle_pks: Collection[int]) -> None:
    """Refresh the units of some vehicles as of their depots' today, after a reading, an answer or a job."""
    vehicles = read_columns(
        {"vehicle": "v.id", "depot": "v.depot_id"},
        f"from shop_vehicle v where {one_of('v.id', keys_of(vehicle_pks))}",
    )
    fitted = read_columns(
        {"unit": "f.unit_id", "vehicle": "f.vehicle_id"},
        f"from shop_fitting f where {one_of('f.vehicle_id', keys_of(vehicle_pks))}",
    )
    depot = taken(vehicles["depot"], place_of(fitted["vehicle"], vehicles["vehicle"]))
    zones = Depot.objects.in_bulk(whole(np.unique(vehicles["depot"])))
    with transaction.atomic():
        units_hold(fitted["unit"], is_alone=True)
        for pk, one in zones.items():
            due_refresh(clock.today(one.time_zone), fitted["unit"][depot == pk])


def units_hold(unit_pks: FloatArray, *, is_alone: bool) -> None:
    """Hold units until the transaction ends, whole blocks of keys at a time; who works out lines holds them first.

    Parts of a run, of which no two have a unit in common, hold them together; who comes with news holds them alone. One
    statement, in order of keys, for all that a transaction will work out: two that wait for each other would wait for
    ever. Whoever holds units waits for nothing else. On SQLite one transaction writes at a time anyhow.
    """
    if connection.vendor == "postgresql":
        blocks = np.unique(unit_pks // BLOCK_UNITS)
        lock = "pg_advisory_xact_lock" if is_alone else "pg_advisory_xact_lock_shared"
        run(f"select {lock}(%s, block) from unnest(%s::int[]) block", [LINES_LOCK, whole(blocks)])


def by_vehicle(unit_pks: FloatArray) -> FloatArray:
    """Return units with those of one vehicle beside each other, so that its meters are looked at once."""
    fitted = read_columns(
        {"unit": "f.unit_id", "vehicle": "f.vehicle_id"},
        f"from shop_fitting f where f.removed_on is null and {one_of('f.unit_id', unit_pks)}",
    )
    vehicles = taken(fitted["vehicle"], place_of(unit_pks, fitted["unit"]))
    return unit_pks[np.argsort(vehicles, kind="stable")]


def _refresh_some(as_of: date, unit_pks: FloatArray, carriers: Collection[int]) -> DueReport:
    use_keep(unit_pks)
    new = worked_out(as_of, unit_pks)
    new["overlays"] = overlay_bits(as_of, new, carriers)
    new["next_change_on"][new["overlays"] > 0] = EVERY_DAY.toordinal()
    old = stored_columns(unit_pks)
    # Rules are few: together with the unit their key is one number.
    scale = max(new["rule_id"].max(initial=0.0), old["rule_id"].max(initial=0.0)) + 1.0
    place = place_of(new["unit_id"] * scale + new["rule_id"], old["unit_id"] * scale + old["rule_id"])
    is_new = place == UNKNOWN
    before = {name: taken(column, place) for name, column in old.items()}
    hold_steady(new, before, as_of)
    new["id"] = np.where(is_new, 0.0, before["id"])
    is_written = is_new | is_worth_writing(new, before)
    lines_write({name: column[is_written] for name, column in new.items()})
    is_moved = is_new | (new["state"] != before["state"])
    earlier = np.where(is_new, NO_STATE, before["state"])[is_moved]
    state_changes_add({name: column[is_moved] for name, column in new.items()}, earlier)
    is_gone = np.ones(len(old["id"]), dtype=np.bool_)
    is_gone[place[~is_new]] = False
    lines_remove(old["id"][is_gone])
    added = int(is_new.sum())
    return DueReport(
        len(place), added, int(is_written.sum()) - added, int(is_gone.sum()), int(is_moved.sum())
    )


def worked_out(as_of: date, unit_pks: FloatArray) -> Columns:
    """Return the lines of some units as of a day, in the columns they are stored in, before overlays."""
    ordinary = gather_columns(as_of, unit_pks)
    parts = [by_columns(as_of, ordinary)]
    if len(ordinary.others):
        parts.append(row_by_row(as_of, ordinary.others))
    return joined(parts)


def by_columns(as_of: date, lines: LineColumns) -> Columns:
    """Return the lines of ordinary units as they are stored."""
    keys = LineKeys(lines.unit, lines.rule, lines.vehicle, lines.done_day)
    return as_columns(as_of, keys, lines, may_change_daily=False)


def row_by_row(as_of: date, unit_pks: FloatArray) -> Columns:
    """Return the lines of any units as they are stored; an object for each row takes its time."""
    inputs = gather(as_of, Fitting.objects.filter(unit__in=unit_pks.astype(np.int64).tolist()))
    days = [line.last.done_on if line.last else None for line in inputs.lines]
    keys = LineKeys(
        keys_of([line.fitting.unit_id for line in inputs.lines]),
        keys_of([line.rule.pk for line in inputs.lines]),
        keys_of([line.fitting.vehicle_id for line in inputs.lines]),
        np.array([np.nan if day is None else day.toordinal() for day in days], dtype=np.float64),
    )
    return as_columns(as_of, keys, inputs, may_change_daily=True)
