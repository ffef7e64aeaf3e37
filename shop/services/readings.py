"""Meter readings coming in: judged, kept and, when odd, set aside with a question; never overwritten."""

import datetime
import zoneinfo
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Prefetch

from intervals.errors import QuantityError
from shop import clock
from shop.errors import ConflictError, InputError
from shop.models import ChangeRecord, Meter, MeterChange, Person, Reading
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.meter_history import MeterHistory, core_changes, shown_value, to_si

AS_GUESSED = "as guessed"
AS_TYPED = "as typed"
NOT_A_READING = "not a reading"
ANSWERS = (AS_GUESSED, AS_TYPED, NOT_A_READING)

# A clock that runs a little ahead is no reason to refuse a reading.
_AHEAD = datetime.timedelta(hours=1)
# A value from a rounded or converted figure may fall this short of its neighbour, in the meter's own unit.
_GRACE = 1.0


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
    found = _meters({row.meter.pk for row in rows})
    known = _known_readings(rows)
    fresh: list[tuple[int, Reading]] = []
    for place, row in enumerate(rows):
        try:
            reading = _as_reading(row, found[row.meter.pk].meter, limit)
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
    _judge_all([reading for _, reading in fresh], found)
    Reading.objects.bulk_create([reading for _, reading in fresh], batch_size=500)
    for place, reading in fresh:
        report.readings[place] = reading
        report.added.append(place)
        if reading.status == Reading.Status.ASKED:
            report.asked.append(place)
    return report, [change_note(reading, _key(reading), after=_shown(reading)) for _, reading in fresh]


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


@dataclass(frozen=True, slots=True)
class _Known:
    meter: Meter
    history: MeterHistory


def _meters(ids: Collection[int]) -> dict[int, _Known]:
    """Load meters with their changes and accepted readings, and hold them until the transaction ends."""
    meters = (
        Meter.objects.select_for_update(of=("self",))
        .filter(pk__in=ids)
        .select_related("vehicle__depot")
        .prefetch_related(
            "changes",
            Prefetch(
                "readings",
                Reading.objects.filter(status=Reading.Status.ACCEPTED).order_by("read_at"),
                to_attr="accepted",
            ),
        )
        .order_by("pk")
    )
    found = {}
    for meter in meters:
        history = MeterHistory(meter, core_changes(meter, meter.changes.all()))
        for reading in meter.accepted:
            history.accept(reading, _counted(reading))
        found[meter.pk] = _Known(meter, history)
    return found


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


def _judge_all(readings: Iterable[Reading], found: dict[int, _Known]) -> None:
    """Judge new readings in time order, each against the accepted ones before it."""
    for reading in sorted(readings, key=lambda one: (one.meter_id, one.read_at)):
        _judge(reading, found[reading.meter_id].history)


def _judge(reading: Reading, history: MeterHistory) -> None:
    verdict = history.judge(reading)
    reading.status = verdict.status
    is_asked = verdict.status == Reading.Status.ASKED
    reading.question_code = verdict.code if is_asked else ""
    reading.question = verdict.sentence[:240] if is_asked else ""
    reading.guess_value = verdict.guess if is_asked else None
    if is_asked:
        reading.true_total = None
    else:
        _count(reading, history)


def _counted(reading: Reading) -> float:
    """Return the value that counts, in the meter's own unit: what was typed, or the guess a person confirmed."""
    if reading.answer == AS_GUESSED and reading.guess_value is not None:
        return reading.guess_value
    return reading.raw_value


def _count(reading: Reading, history: MeterHistory) -> None:
    """Let a reading count, in both the record and the history."""
    offset = history.offset(reading.read_on)
    total = _counted(reading) + offset
    if reading.answer:
        low, high = history.bounds(reading)
        if low - _GRACE <= total <= high + _GRACE:
            total = min(max(total, low), high)
    reading.true_total = to_si(total, history.meter)
    history.accept(reading, total - offset)


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
        known = _meters([reading.meter_id])[reading.meter_id]
        row = Reading.objects.select_for_update().get(pk=reading.pk)
        row.meter = known.meter
        before = _shown(row)
        _settle(row, answer, known.history)
        row.answered_by = person
        row.save(update_fields=["status", "true_total", "answer", "answered_by"])
        after = _shown(row)
        changes_write([change_note(row, _key(row), before=before, after=after)], person=person)
        due_refresh_now([row.meter.vehicle_id])
    return row


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
    total = _counted(row) + history.offset(row.read_on)
    if not low - _GRACE <= total <= high + _GRACE:
        raise ConflictError(
            f"With {_counted(row):g} the total would run backwards ({low:g} before, {high:g} after). "
            "Load the change first if the meter was replaced or rolled over (meter_changes.csv), or take the other "
            "reading back."
        )
    row.status = Reading.Status.ACCEPTED
    _count(row, history)


def meters_recompute(meters: Collection[Meter]) -> list[ChangeRecord]:
    """Work out again every total of meters whose changes changed, inside the caller's transaction.

    Readings a person has answered keep that answer; all others are judged again in time order.

    Returns:
        The change records, not yet written.
    """
    ids = {meter.pk for meter in meters}
    found = _meters(ids)
    rows = Reading.objects.filter(meter__in=ids).exclude(status=Reading.Status.REFUSED).order_by("read_at")
    by_meter: dict[int, list[Reading]] = defaultdict(list)
    for row in rows:
        by_meter[row.meter_id].append(row)
    changed, notes = [], []
    for pk, readings in by_meter.items():
        meter = found[pk].meter
        history = MeterHistory(meter, found[pk].history.changes)
        for reading in readings:
            reading.meter = meter
            before = _shown(reading)
            if reading.answer:
                _count(reading, history)
            else:
                _judge(reading, history)
            after = _shown(reading)
            if after != before:
                changed.append(reading)
                notes.append(change_note(reading, _key(reading), before=before, after=after))
    names = ["status", "true_total", "question_code", "question", "guess_value"]
    Reading.objects.bulk_update(changed, names, batch_size=200)
    return notes


def meter_change_record(
    meter: Meter,
    *,
    day: datetime.date,
    kind: str,
    last_old: float,
    first_new: float,
    person: Person | None = None,
) -> MeterChange:
    """Note that a meter was replaced or rolled over, and work its totals out again.

    Args:
        meter: the meter.
        day: the first day of the new count.
        kind: "replaced" or "rolled over".
        last_old, first_new: as the meter showed them, own unit.

    Raises:
        InputError: the kind is unknown or a value is below zero.
    """
    if kind not in MeterChange.Kind.values:
        raise _wrong("kind", f"“{kind}” is no meter change; allowed: {', '.join(MeterChange.Kind.values)}.")
    if not (last_old >= 0 and first_new >= 0):
        raise _wrong("last_old", "A meter shows zero or more; give both values as they were read.")
    values = {"kind": kind, "last_old": last_old, "first_new": first_new}
    with transaction.atomic():
        held = MeterChange.objects.filter(meter=meter, day=day).first()
        before = {name: getattr(held, name) for name in values} if held else None
        change, _ = MeterChange.objects.update_or_create(meter=meter, day=day, defaults=values)
        if before != values:
            notes = [change_note(change, f"{meter} {day}", before=before, after=values)]
            changes_write([*notes, *meters_recompute([meter])], person=person)
            due_refresh_now([meter.vehicle_id])
    return change


def _key(reading: Reading) -> str:
    return f"{reading.meter} {reading.read_at:%Y-%m-%d %H:%M}Z {reading.source}"


def _shown(reading: Reading) -> dict[str, object]:
    names = ("raw_text", "raw_value", "status", "true_total", "question_code", "guess_value", "answer")
    return {name: getattr(reading, name) for name in names}
