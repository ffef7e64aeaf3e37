"""Works out the due lines and writes those that changed, with the history of their states."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import transaction

from intervals.due import compute_due
from shop import clock
from shop.models import DailyRun, Depot, Fitting
from shop.selectors.column_reading import UNKNOWN, keys_param, one_of, place_of, read_columns, taken
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due_candidates import due_candidates, units_of_depot
from shop.selectors.due_columns import (
    EVERY_DAY,
    Columns,
    LineKeys,
    as_columns,
    hold_steady,
    is_worth_writing,
    joined,
    stored_columns,
)
from shop.selectors.line_columns import LineColumns, gather_columns
from shop.selectors.overlays import may_carry_overlays, overlay_bits
from shop.services.due_writing import NO_STATE, lines_remove, lines_write, state_changes_add
from shop.services.kept_use import use_keep
from shop.services.marks import marks_take

FloatArray = npt.NDArray[np.float64]

UNITS_AT_ONCE = 30_000
"""Memory stays bounded however large the fleet is."""


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
    caller holds the depots, so that no two refreshes add a line twice.
    """
    carriers = may_carry_overlays(as_of) if len(unit_pks) else set()
    units = _by_vehicle(np.unique(unit_pks))
    parts = [
        _refresh_some(as_of, units[at : at + UNITS_AT_ONCE], carriers)
        for at in range(0, len(units), UNITS_AT_ONCE)
    ]
    return DueReport(*(sum(getattr(part, name) for part in parts) for name in DueReport.__slots__))


def due_refresh_depot(depot_pk: int, as_of: date, *, is_full: bool = False) -> DueReport:
    """Refresh the units of a depot that may have changed since its last run; every unit on demand or the first time.

    Both ways end the same: a unit that is left out would only have used a little more of its interval.
    """
    with transaction.atomic():
        Depot.objects.select_for_update().get(pk=depot_pk)
        marked = marks_take(depot_pk)
        last = (
            DailyRun.objects.filter(depot=depot_pk, state=DailyRun.State.DONE, as_of__lte=as_of)
            .order_by("-as_of")
            .values_list("as_of", flat=True)
            .first()
        )
        if is_full or last is None:
            return due_refresh(as_of, units_of_depot(depot_pk))
        return due_refresh(as_of, due_candidates(depot_pk, marked, last, as_of))


def due_refresh_now(vehicle_pks: Collection[int]) -> None:
    """Refresh the units of some vehicles as of their depots' today, after a reading, an answer or a job."""
    with transaction.atomic():
        depots = Depot.objects.filter(pk__in=Depot.objects.filter(vehicles__in=vehicle_pks).values("pk"))
        for depot in depots.select_for_update().order_by("pk"):
            own = Fitting.objects.filter(vehicle__in=vehicle_pks, vehicle__depot=depot)
            due_refresh(clock.today(depot.time_zone), _keys(own.values_list("unit", flat=True)))


def _keys(pks: Collection[int]) -> FloatArray:
    return np.array(list(pks), dtype=np.float64)


def _by_vehicle(unit_pks: FloatArray) -> FloatArray:
    """Return units with those of one vehicle beside each other, where they are too many to be taken at once."""
    if len(unit_pks) <= UNITS_AT_ONCE:
        return unit_pks
    fitted = read_columns(
        {"unit": "f.unit_id", "vehicle": "f.vehicle_id"},
        f"from shop_fitting f where f.removed_on is null and {one_of('f.unit_id')}",
        [keys_param(unit_pks)],
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
    return _stored(as_of, keys, lines, may_change_daily=False)


def row_by_row(as_of: date, unit_pks: FloatArray) -> Columns:
    """Return the lines of any units as they are stored; an object for each row takes its time."""
    inputs = gather(as_of, Fitting.objects.filter(unit__in=unit_pks.astype(np.int64).tolist()))
    days = [line.last.done_on if line.last else None for line in inputs.lines]
    keys = LineKeys(
        _keys([line.fitting.unit_id for line in inputs.lines]),
        _keys([line.rule.pk for line in inputs.lines]),
        _keys([line.fitting.vehicle_id for line in inputs.lines]),
        np.array([np.nan if day is None else day.toordinal() for day in days], dtype=np.float64),
    )
    return _stored(as_of, keys, inputs, may_change_daily=True)


def _stored(
    as_of: date, keys: LineKeys, lines: LineColumns | CoreInputs, *, may_change_daily: bool
) -> Columns:
    result = compute_due(
        as_of, lines.distance, lines.hours, lines.time, lines.opens_share, lines.closes_share
    )
    clocks = (lines.distance, lines.hours, lines.time)
    usages = (lines.distance_usage, lines.hours_usage)
    return as_columns(keys, result, clocks, usages, may_change_daily=may_change_daily)
