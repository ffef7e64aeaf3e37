"""Meter readings coming in: judged, kept and, when odd, set aside with a question; never overwritten."""

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from django.db import transaction

from shop import clock
from shop.errors import ConflictError
from shop.models import Meter, Person, Reading, Vehicle
from shop.selectors.column_reading import chosen, keys_of
from shop.services.changes import change_note, changes_write
from shop.services.column_writing import dates, whole
from shop.services.due import due_refresh_now
from shop.services.kept_use import meters_hold
from shop.services.meter_history import UNITS, MeterHistory
from shop.services.reading_columns import (
    SOURCES,
    Columns,
    ReadingRow,
    Refused,
    holders_of,
    text_of,
    usable_rows,
    wrong,
)
from shop.services.reading_judging import (
    AS_GUESSED,
    GRACE,
    are_ordinary,
    count_in,
    counted,
    judge_all,
    meters_held,
    meters_known,
    reading_key,
    reading_shown,
)
from shop.services.reading_writing import reading_changes_write, reading_keys, readings_insert

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

AS_TYPED = "as typed"
NOT_A_READING = "not a reading"
OTHER_VEHICLE = "other vehicle"
ANSWERS = (AS_GUESSED, AS_TYPED, NOT_A_READING)

# A clock that runs a little ahead is no reason to refuse a reading.
_AHEAD = datetime.timedelta(hours=1)


JUDGED_AT_ONCE = 20_000
"""Objects and text of so many readings are held at a time, however many come."""


@dataclass(slots=True)
class ReadingsReport:
    """What became of a batch of readings.

    Attributes:
        ids: one entry per row: the key of the stored reading, or None where the row was refused.
        added: positions of the rows stored now; `asked`: those of them set aside with a question, and the question.
        unchanged: positions of the rows that were there already.
        refused: (position, field, sentence) of the rows not stored.
        vehicles: keys of the vehicles with a reading stored now.
    """

    ids: list[int | None] = field(default_factory=list)
    added: set[int] = field(default_factory=set)
    asked: dict[int, str] = field(default_factory=dict)
    unchanged: set[int] = field(default_factory=set)
    refused: list[Refused] = field(default_factory=list)
    vehicles: set[int] = field(default_factory=set)

    @property
    def new_keys(self) -> FloatArray:
        """The keys of the readings stored now, ascending."""
        return keys_of(self.ids[place] for place in sorted(self.added))


def readings_record(rows: Sequence[ReadingRow], person: Person | None = None) -> ReadingsReport:
    """Judge and store a batch of readings; good ones go in, the others are refused one by one in the report."""
    with transaction.atomic():
        report = readings_store(rows)
        reading_changes_write(report.new_keys, person=person)
        due_refresh_now(report.vehicles)
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
    report = readings_record([ReadingRow(meter.pk, read_at or clock.now(), source, value, unit)], person)
    if report.refused:
        _, name, sentence = report.refused[0]
        raise wrong(name, sentence)
    stored = Reading.objects.get(pk=report.ids[0])
    stored.meter = meter
    return stored


def readings_store(rows: Sequence[ReadingRow], latest: datetime.datetime | None = None) -> ReadingsReport:
    """Judge and store readings inside the caller's transaction; the caller writes the change records.

    Args:
        rows: the readings, in any order.
        latest: the last instant a reading may have; None: now.
    """
    report = ReadingsReport(ids=[None] * len(rows))
    meters_hold(np.unique(np.array([row.meter_id for row in rows], dtype=np.float64)))
    coming, report.refused = usable_rows(rows, (latest or clock.now()) + _AHEAD)
    holders = holders_of(coming)
    keys = holders.stored.copy()
    keys[holders.is_fresh] = reading_keys(int(holders.is_fresh.sum()))
    in_batch = holders.row >= 0
    keys[in_batch] = keys[holders.row[in_batch]]
    places = coming["place"].astype(int)
    for place, key, is_same, is_fresh in zip(
        places.tolist(), whole(keys), holders.is_same.tolist(), holders.is_fresh.tolist(), strict=True
    ):
        if is_same or is_fresh:
            report.ids[place] = key
            (report.unchanged if is_same else report.added).add(place)
    is_other = ~holders.is_same & ~holders.is_fresh
    if is_other.any():
        report.refused += _differing(rows, places, keys, holders.row, np.flatnonzero(is_other))
        report.refused.sort()
    fresh = chosen(coming, holders.is_fresh) | {"id": keys[holders.is_fresh]}
    report.vehicles = set(whole(np.unique(fresh["vehicle"])))
    # All of a meter together, and neighbours in the table beside each other.
    fresh = chosen(fresh, np.lexsort((fresh["at"], fresh["meter"])))
    for part in _parts(fresh["meter"]):
        _store_some(chosen(fresh, part), rows, report)
    return report


def _differing(
    rows: Sequence[ReadingRow], places: IntArray, keys: FloatArray, holder: IntArray, which: IntArray
) -> list[Refused]:
    """Return why rows are refused whose place is held with another value."""
    pks = [key for key, row in zip(whole(keys[which]), holder[which], strict=True) if row < 0]
    texts: dict[int, str] = {}
    for at in range(0, len(pks), JUDGED_AT_ONCE):
        kept = Reading.objects.filter(pk__in=pks[at : at + JUDGED_AT_ONCE])
        texts |= dict(kept.values_list("pk", "raw_text"))
    found = []
    for one in which.tolist():
        row = holder[one]
        held = texts[int(keys[one])] if row < 0 else text_of(rows[places[row]])
        sentence = (
            f"{rows[places[one]].value} differs from the {held} already kept from the same source and instant; "
            "a reading is never overwritten. Give the right time of the second one."
        )
        found.append((int(places[one]), "value", sentence))
    return found


def _parts(meters: FloatArray) -> Iterator[IntArray]:
    """Yield the indexes of sorted rows, so many at a time, all of a meter in one part."""
    begin = 0
    while begin < len(meters):
        last = meters[min(begin + JUDGED_AT_ONCE, len(meters)) - 1]
        end = int(np.searchsorted(meters, last, side="right"))
        yield np.arange(begin, end)
        begin = end


def _store_some(fresh: Columns, rows: Sequence[ReadingRow], report: ReadingsReport) -> None:
    """Judge and write new readings, with all of each meter among them."""
    is_ordinary = are_ordinary(fresh)
    places = fresh["place"].astype(int).tolist()
    head = [
        (key, meter, rows[place].read_at, day, SOURCES[source], text_of(rows[place]), shown)
        for key, meter, place, day, source, shown in zip(
            whole(fresh["id"]), whole(fresh["meter"]), places, dates(fresh["day"]), whole(fresh["source"]),
            fresh["shown"].tolist(), strict=True,
        )
    ]  # fmt: skip
    others = np.flatnonzero(~is_ordinary)
    judged = {}
    if len(others):
        readings = {
            at: _as_reading(rows[places[at]], *head[at][:2], day, head[at][6])
            for at, day in zip(others.tolist(), whole(fresh["day"][others]), strict=True)
        }
        judge_all(readings.values(), meters_known({reading.meter_id for reading in readings.values()}))
        for at, one in readings.items():
            judged[at] = (one.true_total, one.status, one.question_code, one.question, one.guess_value, "")
            if one.status == Reading.Status.ASKED:
                report.asked[places[at]] = one.question
    accepted = str(Reading.Status.ACCEPTED)
    readings_insert(
        (*head[at], *(judged.get(at) or (total, accepted, "", "", None, "")))
        for at, total in enumerate(fresh["si"].tolist())
    )


def _as_reading(row: ReadingRow, key: int, meter: int, day: int, shown: float) -> Reading:
    return Reading(
        pk=key,
        meter_id=meter,
        read_at=row.read_at.astimezone(datetime.UTC),
        read_on=datetime.date.fromordinal(day),
        source=row.source,
        raw_text=text_of(row),
        raw_value=shown,
    )


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
        raise wrong("answer", f"“{answer}” is no answer; allowed: {', '.join(ANSWERS)}.")
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
        raise wrong("vehicle", f"{vehicle.number} {why}; name the vehicle it was read off.")
    with transaction.atomic():
        meters_hold(np.array([reading.meter_id, to.pk], dtype=np.float64))
        rows = Reading.objects.select_for_update(of=("self",)).select_related("meter__vehicle")
        row = rows.get(pk=reading.pk)
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
        raise wrong("answer", f"There is no guess to confirm; answer “{AS_TYPED}” or “{NOT_A_READING}”.")
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
