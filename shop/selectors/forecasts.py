"""Histories of readings for the test of the forecast: out of a file, or the fleet's own."""

import csv
import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from intervals.errors import HatchmarkError, QuantityError, ReadingError
from intervals.forecast import Backtest, Histories, backtest, clean_histories
from intervals.forecast.features import features_of
from intervals.quantities import KM_PER_UNIT
from shop.errors import InputError
from shop.models import Meter, Person, Reading
from shop.selectors.access import vehicles_of

NEEDED = ("vehicle", "date", "odometer")
OPTIONAL = ("group", "unit")
HOURS = "h"
UNITS = (*KM_PER_UNIT, HOURS)
LEAD_MONTHS = (1, 2, 3, 4, 6, 8)
MEAN_MONTH_DAYS = 365.25 / 12

MOST_METERS = 1_000
"""So many are tested at most: a page is to be there in seconds. House default."""


@dataclass(slots=True)
class HistoryRows:
    """Readings as columns, the unit they are in, and the rows that could not be read with their reasons."""

    unit: str = ""
    vehicles: list[str] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    totals: list[float] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def histories(self) -> Histories:
        """Return them cleaned for forecasting."""
        return clean_histories(self.vehicles, self.groups, self.days, self.totals)


def history_read(path: Path) -> HistoryRows:
    """Read a file of readings: columns vehicle, date, odometer, and if wanted group and unit.

    A row that cannot be used is set aside with its number, column and remedy; the others count. Distances are brought
    to the unit of the first row.

    Raises:
        InputError: the file cannot be read, a column is missing, or no row can be used.
    """
    rows = HistoryRows()
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            _check_columns(path, reader.fieldnames or ())
            for number, row in enumerate(reader, start=2):
                _take(rows, number, row)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path.name} cannot be read ({error}); give a CSV file in UTF-8.") from error
    if not rows.days:
        first = f" The first: {rows.refused[0]}" if rows.refused else ""
        raise InputError(f"{path.name} has no row that can be used.{first}")
    return rows


def _check_columns(path: Path, names: Iterable[str]) -> None:
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise InputError(
            f"{path.name} lacks the column {', '.join(missing)}; its first line names the columns "
            f"{', '.join(NEEDED)} and, if wanted, {', '.join(OPTIONAL)}."
        )


def _take(rows: HistoryRows, number: int, row: dict[str, str | None]) -> None:
    cells = {name: (row.get(name) or "").strip() for name in (*NEEDED, *OPTIONAL)}
    try:
        day, total = _day(cells["date"]), _total(cells["odometer"], cells["unit"])
        if not cells["vehicle"]:
            raise QuantityError("vehicle: it is empty; name the vehicle.")
        unit = cells["unit"] or rows.unit
        rows.unit = rows.unit or unit
        if unit != rows.unit:
            total *= _factor(unit, rows.unit)
    except HatchmarkError as error:
        rows.refused.append(f"Row {number}, {error}")
        return
    rows.vehicles.append(cells["vehicle"])
    rows.groups.append(cells["group"])
    rows.days.append(day)
    rows.totals.append(total)


def _day(text: str) -> int:
    """Return the ordinal of a day; a month alone is its first day, an hour of the day is left away."""
    try:
        whole = f"{text}-01" if len(text) == len("2026-03") else text[: len("2026-03-02")]
        return datetime.date.fromisoformat(whole).toordinal()
    except ValueError:
        raise ReadingError(f"date: “{text}” is no day; write it as 2026-03-02.") from None


def _total(text: str, unit: str) -> float:
    if unit and unit not in UNITS:
        raise QuantityError(f"unit: “{unit}” is not known; write one of {', '.join(UNITS)}.")
    try:
        total = float(text)
    except ValueError:
        raise ReadingError(f"odometer: “{text}” is no number; write it plainly, e.g. 57000.") from None
    if not (math.isfinite(total) and total >= 0):
        raise ReadingError(f"odometer: “{text}” cannot be on a meter; write zero or more.")
    return total


def _factor(unit: str, wanted: str) -> float:
    if unit not in KM_PER_UNIT or wanted not in KM_PER_UNIT:
        raise QuantityError(
            f"unit: the file is in {wanted}, this row in {unit}; keep them in files of their own."
        )
    return KM_PER_UNIT[unit] / KM_PER_UNIT[wanted]


@dataclass(frozen=True, slots=True)
class FleetTest:
    """The forecast tested on the fleet's own history, for several leads; or why it cannot be.

    of_meters: how many the fleet has; meters: how many of them were tested.
    """

    kind: str
    unit: str
    cannot_say: str = ""
    of_meters: int = 0
    meters: int = 0
    readings: int = 0
    leads: tuple[tuple[int, Backtest], ...] = ()


def fleet_test(person: Person, kind: str) -> FleetTest:
    """Test the forecast on the accepted readings of one kind of meter of the person's vehicles.

    Leads are what a meter of the fleet usually moves on by in so many months. Of a large fleet every so many-th meter
    is tested.
    """
    unit = "km" if kind == Meter.Kind.ODOMETER else HOURS
    own = Meter.objects.filter(vehicle__in=vehicles_of(person).order_by().values("pk"), kind=kind)
    meters = list(own.order_by("pk").values_list("pk", flat=True))
    tried = meters[:: max(1, -(-len(meters) // MOST_METERS))]
    readings = (
        Reading.objects.filter(meter__in=tried, status=Reading.Status.ACCEPTED)
        .order_by("meter", "read_on")
        .values_list("meter", "meter__vehicle__kind", "read_on", "true_total")
    )
    rows = HistoryRows(unit)
    for meter, group, read_on, total in readings.iterator():
        rows.vehicles.append(str(meter))
        rows.groups.append(group)
        rows.days.append(read_on.toordinal())
        rows.totals.append(total)
    histories = rows.histories()
    if not histories.day.size:
        return FleetTest(kind, unit, "No reading of this kind of meter is on record.", len(meters))
    features = features_of(histories)
    rates = sorted(rate for rate in features.own[:, -1].tolist() if rate > 0)
    usual = rates[len(rates) // 2] if rates else 0.0
    tested = []
    for months in LEAD_MONTHS:
        try:
            tested.append((months, backtest(histories, months * MEAN_MONTH_DAYS * usual, features)))
        except HatchmarkError:
            continue
    cannot_say = "" if tested else "No meter has twelve months of readings with an outcome after them yet."
    return FleetTest(
        kind, unit, cannot_say, len(meters), histories.meters, int(histories.day.size), tuple(tested)
    )
