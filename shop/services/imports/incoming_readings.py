"""readings.csv: each row goes through the readings service, which judges it."""

import datetime
import json
from array import array
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
from django.db import connection

from shop import clock
from shop.models import Depot, Meter, Reading, StockItem, Vehicle
from shop.services.imports.cells import CellError, choice, local_instant
from shop.services.imports.declared import Column, Table
from shop.services.imports.records import Records
from shop.services.imports.report import FileReport, Refusal
from shop.services.imports.sheets import sheet_records, width_error
from shop.services.reading_columns import ReadingRow
from shop.services.readings import readings_store

COLUMN_OF = {
    Meter.Kind.ODOMETER: "odometer_unit",
    Meter.Kind.HOURS: "hour_meter",
    Meter.Kind.TAKE_OFF: "take_off_meter",
}
"""The column of vehicles.csv that gives a vehicle its meter."""

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, int, int], None]

READINGS = Table(
    file="readings.csv",
    columns=(
        Column("vehicle", refers_to=Vehicle, is_needed=True),
        Column("meter", choice(*Meter.Kind.values), is_needed=True),
        Column("read_at", local_instant, is_needed=True),
        Column("value", is_needed=True),
        Column("unit", choice("km", "mi", "h", "hh:mm"), blank=""),
        Column("source", choice(*Reading.Source.values), blank=Reading.Source.WORKSHOP.value),
    ),
    key=("vehicle", "meter", "read_at", "source"),
)


def at_depot(instant: datetime.datetime, there: Vehicle | StockItem, records: Records) -> datetime.datetime:
    """Return an instant as written in the local time of the row's depot, unless it names its offset."""
    if instant.tzinfo is not None:
        return instant
    depot = records.rows(Depot)[there.depot_id]
    return clock.local_instant(instant.date(), instant.time(), depot.time_zone)


def meter_of(vehicle: Vehicle, kind: str, records: Records) -> Meter:
    """Return a vehicle's meter; raises CellError when it has none."""
    found = records.group(Meter, "vehicle_id", "kind").get((vehicle.pk, kind))
    if not found:
        raise CellError(no_meter(vehicle.number, kind))
    return found[0]


def no_meter(number: str, kind: str) -> str:
    """Return the sentence for a vehicle without a meter of some kind."""
    return (
        f"vehicle {number} has no {kind} meter; correct the row, or give the vehicle its "
        f"{COLUMN_OF[kind]} in vehicles.csv first."
    )


def readings_load(
    content: bytes, report: FileReport, records: Records, latest: datetime.datetime, progress: Progress | None
) -> FloatArray:
    """Store the good rows of the file through the readings service, count them and note the others in the report.

    The file is gone through twice, once for its vehicles and once for its rows, so that no row is held as an object.

    Returns the keys of the new readings, whose change records are not yet written.

    Raises:
        SheetError: the file as a whole cannot be read.
    """
    header, cells = sheet_records(content, READINGS.names, READINGS.needed)
    at = header.index("vehicle")
    numbers = Counter(row[at] if at < len(row) else "" for _, row in cells)
    report.rows = numbers.total()
    reader = _Reader(header, _meters(numbers), records)
    given: list[ReadingRow] = []
    lines = array("q")
    for done, (line, row) in enumerate(sheet_records(content, READINGS.names, READINGS.needed)[1]):
        if progress and done % 1000 == 0:
            progress(READINGS.file, done, report.rows)
        reading = reader.read(line, row)
        if reading is not None:
            given.append(reading)
            lines.append(line)
    stored = readings_store(given, latest)
    for place, column, sentence in stored.refused:
        reader.refuse(lines[place], column, sentence)
    report.added += len(stored.added)
    report.unchanged += len(stored.unchanged)
    report.asked += len(stored.asked)
    report.refused += len({one.row for one in reader.refusals})
    report.refusals += sorted(reader.refusals, key=lambda one: one.row)
    if progress and report.rows:
        progress(READINGS.file, report.rows, report.rows)
    return stored.new_keys


def _meters(numbers: Iterable[str]) -> dict[str, tuple[str, dict[str, int]]]:
    """Return vehicle number → time zone of its depot, and its meters by kind; one query."""
    found: dict[str, tuple[str, dict[str, int]]] = {}
    listed = json.dumps([number for number in numbers if "\0" not in number])
    is_postgresql = connection.vendor == "postgresql"
    each = "jsonb_array_elements_text(%s::jsonb)" if is_postgresql else "json_each(%s)"
    with connection.cursor() as cursor:
        cursor.execute(
            "select v.number, d.time_zone, m.kind, m.id from shop_vehicle v join shop_depot d on d.id = v.depot_id "
            f"left join shop_meter m on m.vehicle_id = v.id where v.number in (select value from {each})",
            [listed],
        )
        for number, time_zone, kind, pk in cursor.fetchall():
            meters = found.setdefault(number, (time_zone, {}))[1]
            if kind is not None:
                meters[kind] = pk
    return found


class _Reader:
    """Turns rows of the file into readings, and notes why some cannot be."""

    def __init__(
        self, header: list[str], meters: dict[str, tuple[str, dict[str, int]]], records: Records
    ) -> None:
        self.refusals: list[Refusal] = []
        self._header = header
        self._meters = meters
        self._records = records
        self._columns = [column for column in READINGS.columns if column.name in header]
        self._places = [header.index(column.name) for column in self._columns]
        self._blanks = {column.name: column.blank for column in READINGS.columns}
        self._first: dict[tuple[object, ...], int] = {}

    def refuse(self, line: int, column: str, sentence: str) -> None:
        """Note one reason not to load a row."""
        self.refusals.append(Refusal(READINGS.file, line, column, sentence))

    def read(self, line: int, row: list[str]) -> ReadingRow | None:
        """Return a row as a reading; None where it is refused."""
        if wrong := width_error(self._header, row):
            self.refuse(line, *wrong)
            return None
        values, is_good = dict(self._blanks), True
        for column, place in zip(self._columns, self._places, strict=True):
            try:
                values[column.name] = self._value(column, row[place])
            except CellError as error:
                self.refuse(line, column.name, error.sentence)
                is_good = False
        return self._reading(line, values) if is_good else None

    def _value(self, column: Column, cell: str) -> object:
        if not cell:
            if column.is_needed:
                raise CellError("it is blank; this column must be filled in.")
            return column.blank
        if column.refers_to is None:
            return column.parse(cell)
        if cell not in self._meters:
            self._records.find(column.refers_to, cell)
        return cell

    def _reading(self, line: int, values: dict[str, Any]) -> ReadingRow | None:
        number, kind, read_at, source = key = tuple(values[name] for name in READINGS.key)
        first = self._first.setdefault(key, line)
        if first != line:
            named = ", ".join(READINGS.key)
            self.refuse(
                line, READINGS.key[0], f"row {first} is about the same {named}; keep one of the two rows."
            )
            return None
        if "value" not in self._header:
            self.refuse(line, "value", "the column is not in the file; add it.")
            return None
        time_zone, meters = self._meters[number]
        if kind not in meters:
            self.refuse(line, "meter", no_meter(number, kind))
            return None
        if read_at.tzinfo is None:
            read_at = clock.local_instant(read_at.date(), read_at.time(), time_zone)
        return ReadingRow(meters[kind], read_at, source, values["value"], values["unit"])
