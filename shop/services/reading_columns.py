"""Readings as they come in, cell by cell, made into columns of numbers: usable ones, and those already there."""

import datetime
import re
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.errors import QuantityError
from shop.errors import InputError
from shop.models import Meter, Reading
from shop.selectors.column_reading import keys_of, microseconds, one_of, rank_in, read_columns
from shop.services.meter_history import UNITS, shown_value, to_si

Columns = dict[str, npt.NDArray[np.float64]]
Refused = tuple[int, str, str]

SOURCES = [str(source) for source in Reading.Source.values]
EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
NAMES = ("place", "meter", "vehicle", "at", "day", "source", "shown", "si")

_OLDEST_YEAR = 1900
_MICROSECOND = datetime.timedelta(microseconds=1)
_RANKS = {source: rank for rank, source in enumerate(SOURCES)}
_DECIMAL = {(kind, unit) for kind, units in UNITS.items() for unit in units if unit != "hh:mm"}
# What most readings look like; everything else is read by `shown_value`, which takes three times as long.
_DIGITS = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,15})?")


class ReadingRow(NamedTuple):
    """One reading as it came in.

    Attributes:
        meter_id: key of the meter.
        read_at: the instant, with its time zone.
        source: one of `Reading.Source`.
        value: as typed, "57000" or "1234:30".
        unit: km, mi, h or hh:mm; empty: the meter's own.
    """

    meter_id: int
    read_at: datetime.datetime
    source: str
    value: str
    unit: str = ""


class _Sort(NamedTuple):
    """What readings of one sort of meter have in common."""

    like: Meter
    is_decimal: bool
    si_per_shown: float
    zone: zoneinfo.ZoneInfo


def text_of(row: ReadingRow) -> str:
    """Return what is kept of a row as it was typed."""
    return f"{row.value} {row.unit}".strip()[:32]


def usable_rows(rows: Sequence[ReadingRow], limit: datetime.datetime) -> tuple[Columns, list[Refused]]:
    """Return the rows that can be used as columns, and (place, field, sentence) of the others.

    Columns: `place` in the rows, keys of `meter` and `vehicle`, `at` in microseconds since 1970, local `day`, place of
    the `source` in `SOURCES`, `shown` in the meter's own unit, and `si`, the same in km or h.
    """
    meters = _meters({row.meter_id for row in rows})
    kept, refused = [], []
    for place, row in enumerate(rows):
        try:
            kept.append((place, *_figures(row, meters, limit)))
        except InputError as error:
            ((name, sentence),) = error.fields.items()
            refused.append((place, name, sentence))
    table = np.array(kept, dtype=np.float64).reshape(-1, len(NAMES))
    return dict(zip(NAMES, np.ascontiguousarray(table.T), strict=True)), refused


def wrong(name: str, sentence: str) -> InputError:
    """Return the error of one field."""
    return InputError(sentence, fields={name: sentence})


def _meters(keys: set[int]) -> dict[int, tuple[int, _Sort]]:
    """Return meter → its vehicle and its sort; one query."""
    sorts: dict[tuple[str, str, str], _Sort] = {}
    found = {}
    with connection.cursor() as cursor:
        cursor.execute(
            "select m.id, m.vehicle_id, m.kind, m.shown_in, d.time_zone from shop_meter m "
            "join shop_vehicle v on v.id = m.vehicle_id join shop_depot d on d.id = v.depot_id "
            f"where {one_of('m.id', keys_of(keys))}"
        )
        for pk, vehicle, *facts in cursor.fetchall():
            sort = sorts.get(key := tuple(facts)) or sorts.setdefault(key, _sort(*facts))
            found[pk] = (vehicle, sort)
    return found


def _sort(kind: str, shown_in: str, time_zone: str) -> _Sort:
    like = Meter(kind=kind, shown_in=shown_in)
    is_decimal = (kind, shown_in) in _DECIMAL
    # Where the unit does not fit the meter no value can be read, and none is converted.
    per_shown = to_si(1.0, like) if is_decimal or like.counts_hours else 1.0
    return _Sort(like, is_decimal, per_shown, zoneinfo.ZoneInfo(time_zone))


def _figures(
    row: ReadingRow, meters: dict[int, tuple[int, _Sort]], limit: datetime.datetime
) -> tuple[float, ...]:
    """Return the columns of one row after its place; raises InputError where it cannot be used."""
    source = _RANKS.get(row.source)
    if source is None:
        raise wrong("source", f"“{row.source}” is no source; allowed: {', '.join(SOURCES)}.")
    if row.read_at.tzinfo is None:
        raise wrong("read_at", "the instant has no time zone; give one.")
    if row.read_at > limit:
        raise wrong("read_at", f"{row.read_at:%Y-%m-%d %H:%M} is in the future; give the time it was read.")
    if row.read_at.year < _OLDEST_YEAR:
        raise wrong("read_at", f"{row.read_at.year} cannot be the year it was read; give the time it was.")
    if row.meter_id not in meters:
        raise wrong(
            "meter", "this meter is no longer on record; look its vehicle up and send the reading again."
        )
    vehicle, sort = meters[row.meter_id]
    if sort.is_decimal and row.unit in ("", sort.like.shown_in) and _DIGITS.fullmatch(row.value):
        shown = float(row.value)
    else:
        shown = _read(row, sort.like)
    at, day = (row.read_at - EPOCH) // _MICROSECOND, row.read_at.astimezone(sort.zone).toordinal()
    return row.meter_id, vehicle, at, day, source, shown, shown * sort.si_per_shown


def _read(row: ReadingRow, like: Meter) -> float:
    try:
        shown = shown_value(row.value, like, row.unit)
    except QuantityError as error:
        raise wrong("value", str(error)) from error
    if shown < 0:
        raise wrong("value", f"{row.value} is below zero; a meter shows zero or more. Read it again.")
    return shown


@dataclass(frozen=True, slots=True)
class Holders:
    """Which reading holds each row's meter, instant and source: one on record, or a row of the same batch.

    Attributes:
        is_fresh: the row itself does.
        is_same: another does, with the same value.
        stored: key of the one on record; nan where it is a row of the batch.
        row: index of the row of the batch; -1 where it is one on record.
    """

    is_fresh: npt.NDArray[np.bool_]
    is_same: npt.NDArray[np.bool_]
    stored: npt.NDArray[np.float64]
    row: npt.NDArray[np.int64]


def holders_of(coming: Columns) -> Holders:
    """Return which reading holds the place of each row; the first of a batch, unless one is on record; one query."""
    kept = _on_record(coming)
    count = len(kept["id"])
    meter, at, source, shown = (
        np.concatenate([kept[name], coming[name]]) for name in ("meter", "at", "source", "shown")
    )
    # Stable: of equals the one on record comes first, then the rows in their order.
    order = np.lexsort((source, at, meter))
    is_first = np.ones(len(order), dtype=np.bool_)
    is_first[1:] = np.any([np.diff(column[order]) != 0 for column in (meter, at, source)], axis=0)
    holder = np.empty(len(order), dtype=np.int64)
    holder[order] = order[is_first][np.cumsum(is_first) - 1]
    own = holder[count:]
    is_fresh = own == count + np.arange(len(own))
    held = shown[own]
    is_same = ~is_fresh & (np.abs(held - coming["shown"]) <= 1e-9 * np.maximum(1.0, held))
    stored = np.append(kept["id"], np.nan)[np.minimum(own, count)]
    return Holders(is_fresh, is_same, stored, np.where(own < count, -1, own - count))


def _on_record(coming: Columns) -> Columns:
    """Return the readings of the same meters within the same span of time."""
    rank, sources = rank_in("r.source", SOURCES)
    ends = (coming["at"].min(), coming["at"].max()) if len(coming["at"]) else (0.0, 0.0)
    span = [
        connection.ops.adapt_datetimefield_value(EPOCH + datetime.timedelta(microseconds=int(end)))
        for end in ends
    ]
    return read_columns(
        {
            "id": "r.id", "meter": "r.meter_id", "at": microseconds("r.read_at"), "source": rank,
            "shown": "r.raw_value",
        },
        f"from shop_reading r where {one_of('r.meter_id', coming['meter'])} and r.read_at between %s and %s",
        [*sources, *span],
    )  # fmt: skip
