"""Meter readings coming in: judged, kept and, when odd, set aside with a question; never overwritten."""

import datetime
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from django.db import transaction

from intervals.errors import QuantityError
from shop import clock
from shop.errors import ConflictError, InputError
from shop.models import ChangeRecord, Meter, Person, Reading, Vehicle
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.kept_use import meters_hold
from shop.services.meter_history import UNITS, MeterHistory, shown_value
from shop.services.reading_judging import (
    AS_GUESSED,
    GRACE,
    accept_ordinary,
    count_in,
    counted,
    judge_all,
    meters_held,
    reading_key,
    reading_shown,
)

AS_TYPED = "as typed"
NOT_A_READING = "not a reading"
OTHER_VEHICLE = "other vehicle"
ANSWERS = (AS_GUESSED, AS_TYPED, NOT_A_READING)

# A clock that runs a little ahead is no reason to refuse a reading.
_AHEAD = datetime.timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading as it came in.

    Attributes:
        meter: the meter, with its vehicle and depot.
        read_at: the instant, with its time zone.
        source: one of `Reading.Source`.
        value: as typed, "57000" or "1234:30".
        unit: km, mi, h or hh:mm; empty: the meter's own.
    """

    meter: Meter
    read_at: datetime.datetime
    source: str
    value: str
    unit: str = ""


@dataclass(slots=True)
class ReadingsReport:
    """What became of a batch of readings.

    Attributes:
        readings: one entry per row: the stored reading, or None where the row was refused.
        added: positions of the rows stored now; `asked`: those of them set aside with a question.
        unchanged: positions of the rows that were there already.
        refused: (position, field, sentence) of the rows not stored.
    """

    readings: list[Reading | None] = field(default_factory=list)
    added: list[int] = field(default_factory=list)
    asked: list[int] = field(default_factory=list)
    unchanged: list[int] = field(default_factory=list)
    refused: list[tuple[int, str, str]] = field(default_factory=list)


def readings_record(rows: Sequence[ReadingRow], person: Person | None = None) -> ReadingsReport:
    """Judge and store a batch of readings; good ones go in, the others are refused one by one in the report."""
    with transaction.atomic():
        report, notes = readings_store(rows)
        changes_write(notes, person=person)
        due_refresh_now({rows[place].meter.vehicle_id for place in report.added})
    return report


def reading_record(
    meter: Meter,
    value: str,
    *,
    source: str,
    read_at: datetime.datetime | None = None,
    unit: str = "",
    person: Person | None = None,
) -> Reading:
    """Judge and store one reading (now, unless `read_at` says otherwise) and return it, accepted or asked about.

    Raises:
        InputError: the value, unit, source or instant cannot be used, or another value is already there.
    """
    row = ReadingRow(meter, read_at or clock.now(), source, value, unit)
    report = readings_record([row], person)
    stored = report.readings[0]
    if stored is None:
        _, name, sentence = report.refused[0]
        raise InputError(sentence, fields={name: sentence})
    return stored


def readings_store(
    rows: Sequence[ReadingRow], latest: datetime.datetime | None = None
) -> tuple[ReadingsReport, list[ChangeRecord]]:
    """Judge and store readings inside the caller's transaction.

    Args:
        rows: the readings, in any order.
        latest: the last instant a reading may have; None: now.

    Returns:
        The report and the change records, not yet written.
    """
    report = ReadingsReport(readings=[None] * len(rows))
    limit = (latest or clock.now()) + _AHEAD
    meters_hold(np.array([row.meter.pk for row in rows], dtype=np.float64))
    known = _known_readings(rows)
    fresh: list[tuple[int, Reading]] = []
    for place, row in enumerate(rows):
        try:
            reading = _as_reading(row, row.meter, limit)
        except InputError as error:
            (name, sentence) = next(iter(error.fields.items()))
            report.refused.append((place, name, sentence))
            continue
        held = known.setdefault((reading.meter_id, reading.read_at, reading.source), reading)
        if held is reading:
            fresh.append((place, reading))
        elif abs(held.raw_value - reading.raw_value) <= 1e-9 * max(1.0, held.raw_value):
            report.unchanged.append(place)
            report.readings[place] = held
        else:
            sentence = (
                f"{row.value} differs from the {held.raw_text} already kept from the same source and instant; "
                "a reading is never overwritten. Give the right time of the second one."
            )
            report.refused.append((place, "value", sentence))
    others = accept_ordinary([reading for _, reading in fresh])
    judge_all(others, meters_held({reading.meter_id for reading in others}) if others else {})
    Reading.objects.bulk_create([reading for _, reading in fresh], batch_size=500)
    for place, reading in fresh:
        report.readings[place] = reading
        report.added.append(place)
        if reading.status == Reading.Status.ASKED:
            report.asked.append(place)
    return report, [
        change_note(reading, reading_key(reading), after=reading_shown(reading)) for _, reading in fresh
    ]


def _as_reading(row: ReadingRow, meter: Meter, limit: datetime.datetime) -> Reading:
    if row.source not in Reading.Source.values:
        raise _wrong("source", f"“{row.source}” is no source; allowed: {', '.join(Reading.Source.values)}.")
    if row.read_at.tzinfo is None:
        raise _wrong("read_at", "the instant has no time zone; give one.")
    if row.read_at > limit:
        raise _wrong("read_at", f"{row.read_at:%Y-%m-%d %H:%M} is in the future; give the time it was read.")
    try:
        value = shown_value(row.value, meter, row.unit)
    except QuantityError as error:
        raise _wrong("value", str(error)) from error
    if value < 0:
        raise _wrong("value", f"{row.value} is below zero; a meter shows zero or more. Read it again.")
    zone = zoneinfo.ZoneInfo(meter.vehicle.depot.time_zone)
    return Reading(
        meter=meter,
        read_at=row.read_at.astimezone(datetime.UTC),
        read_on=row.read_at.astimezone(zone).date(),
        source=row.source,
        raw_text=f"{row.value} {row.unit}".strip()[:32],
        raw_value=value,
    )


def _wrong(name: str, sentence: str) -> InputError:
    return InputError(sentence, fields={name: sentence})


def _known_readings(rows: Sequence[ReadingRow]) -> dict[tuple[int, datetime.datetime, str], Reading]:
    if not rows:
        return {}
    instants = [row.read_at for row in rows if row.read_at.tzinfo is not None]
    if not instants:
        return {}
    kept = Reading.objects.filter(
        meter__in={row.meter.pk for row in rows}, read_at__range=(min(instants), max(instants))
    )
    return {(reading.meter_id, reading.read_at, reading.source): reading for reading in kept}


def reading_answer(reading: Reading, answer: str, person: Person | None = None) -> Reading:
    """Settle a reading that was asked about, or take an accepted one back with “not a reading”.

    Args:
        reading: the reading.
        answer: "as guessed", "as typed" or "not a reading".
        person: who says so.

    Raises:
        InputError: the answer is unknown, or there is no guess to confirm.
        ConflictError: the question is settled already, or the value would make the total run backwards.
    """
    if answer not in ANSWERS:
        raise _wrong("answer", f"“{answer}” is no answer; allowed: {', '.join(ANSWERS)}.")
    with transaction.atomic():
        known = meters_held([reading.meter_id])[reading.meter_id]
        row = Reading.objects.select_for_update().get(pk=reading.pk)
        row.meter = known.meter
        before = reading_shown(row)
        _settle(row, answer, known.history)
        row.answered_by = person
        row.save(update_fields=["status", "true_total", "answer", "answered_by"])
        after = reading_shown(row)
        changes_write([change_note(row, reading_key(row), before=before, after=after)], person=person)
        due_refresh_now([row.meter.vehicle_id])
    return row


def reading_move(reading: Reading, vehicle: Vehicle, person: Person) -> Reading:
    """Note that a reading was taken off another vehicle, and judge it there.

    The reading stays where it was keyed, refused, with where it went; the same text, source and instant become a new
    reading of the other vehicle's meter of that kind.

    Returns the new reading, accepted or asked about.

    Raises:
        InputError: the other vehicle has no such meter, or already has another reading of that source and instant.
        ConflictError: the reading was refused before.
    """
    name = reading.meter.kind
    to = Meter.objects.filter(vehicle=vehicle, kind=name).select_related("vehicle__depot").first()
    if to is None or to.pk == reading.meter_id:
        why = f"has no meter for {name}" if to is None else "is where it was keyed"
        raise _wrong("vehicle", f"{vehicle.number} {why}; name the vehicle it was read off.")
    with transaction.atomic():
        row = Reading.objects.select_for_update().select_related("meter__vehicle").get(pk=reading.pk)
        if row.status == Reading.Status.REFUSED:
            raise ConflictError(
                f"This reading is settled already ({row.answer or row.status}); reload the page."
            )
        before = reading_shown(row)
        row.status, row.true_total, row.answered_by = Reading.Status.REFUSED, None, person
        row.answer = f"{OTHER_VEHICLE} {vehicle.number}"
        row.save(update_fields=["status", "true_total", "answer", "answered_by"])
        changes_write(
            [change_note(row, reading_key(row), before=before, after=reading_shown(row))], person=person
        )
        text, unit = _typed(row)
        moved = reading_record(to, text, source=row.source, read_at=row.read_at, unit=unit, person=person)
        due_refresh_now([row.meter.vehicle_id])
    return moved


def _typed(row: Reading) -> tuple[str, str]:
    """Return what was typed, and its unit, that of its own meter where none was."""
    text, _, unit = row.raw_text.rpartition(" ")
    units = UNITS[Meter.Kind(row.meter.kind)]
    return (text, unit) if text and unit in units else (row.raw_text, row.meter.shown_in)


def _settle(row: Reading, answer: str, history: MeterHistory) -> None:
    is_withdrawn = row.status == Reading.Status.ACCEPTED and answer == NOT_A_READING
    if row.status != Reading.Status.ASKED and not is_withdrawn:
        raise ConflictError(f"This reading is settled already ({row.status}); reload the page.")
    if answer == AS_GUESSED and row.guess_value is None:
        raise _wrong("answer", f"There is no guess to confirm; answer “{AS_TYPED}” or “{NOT_A_READING}”.")
    row.answer = answer
    if answer == NOT_A_READING:
        row.status, row.true_total = Reading.Status.REFUSED, None
        return
    low, high = history.bounds(row)
    total = counted(row) + history.offset(row.read_on)
    if not low - GRACE <= total <= high + GRACE:
        raise ConflictError(
            f"With {counted(row):g} the total would run backwards ({low:g} before, {high:g} after). "
            "If the meter was replaced or rolled over, note that on the vehicle's meters page first; else take the "
            "other reading back."
        )
    row.status = Reading.Status.ACCEPTED
    count_in(row, history)
