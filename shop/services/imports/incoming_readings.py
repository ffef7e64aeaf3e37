"""readings.csv: each row goes through the readings service, which judges it."""

import datetime

from shop import clock
from shop.models import ChangeRecord, Depot, Meter, Reading, StockItem, Vehicle
from shop.services.imports.cells import CellError, choice, local_instant
from shop.services.imports.declared import Column, Table
from shop.services.imports.records import Records
from shop.services.imports.report import FileReport
from shop.services.imports.sheets import Row
from shop.services.readings import ReadingRow, readings_store

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
        raise CellError(
            f"vehicle {vehicle.number} has no {kind} meter; correct the row, or give the vehicle its "
            f"{'odometer_unit' if kind == Meter.Kind.ODOMETER else 'hour_meter'} in vehicles.csv first."
        )
    return found[0]


def readings_load(
    rows: list[Row], records: Records, report: FileReport, latest: datetime.datetime
) -> list[ChangeRecord]:
    """Store the good rows through the readings service and count them in the report."""
    given: list[tuple[Row, ReadingRow]] = []
    for row in rows:
        if row.errors:
            continue
        vehicle = row.values["vehicle"]
        if "value" not in row.cells:
            row.refuse("value", "the column is not in the file; add it.")
            continue
        try:
            meter = meter_of(vehicle, row.values["meter"], records)
        except CellError as error:
            row.refuse("meter", error.sentence)
            continue
        read_at = at_depot(row.values["read_at"], vehicle, records)
        given.append(
            (
                row,
                ReadingRow(meter, read_at, row.values["source"], row.cells["value"], row.values["unit"]),
            )
        )
    stored, notes = readings_store([reading for _, reading in given], latest)
    for place, column, sentence in stored.refused:
        given[place][0].refuse(column, sentence)
    report.added += len(stored.added)
    report.unchanged += len(stored.unchanged)
    report.asked += len(stored.asked)
    return notes
