"""A meter that was replaced or rolled over: noted, withdrawn, and what was worked out from its readings moved along."""

import datetime
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from django.db import transaction

from intervals.errors import QuantityError
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, Meter, MeterChange, Person, Reading
from shop.selectors.column_reading import keys_of
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.kept_use import meters_hold
from shop.services.meter_history import MeterHistory, shown_value
from shop.services.moved_totals import MovedTotals
from shop.services.reading_judging import (
    count_in,
    judge_one,
    meters_held,
    reading_key,
    reading_shown,
)


@dataclass(frozen=True, slots=True)
class ChangeDone:
    """What noting or withdrawing a change did.

    Attributes:
        change: the change; one withdrawn is no longer in the database.
        readings: readings that count differently now.
        totals: totals of jobs, last services and fittings that moved along.
    """

    change: MeterChange
    readings: int
    totals: int

    @property
    def sentence(self) -> str:
        """Say it."""
        moved = []
        if self.readings:
            moved.append(f"{self.readings} reading{'s' if self.readings != 1 else ''} counted anew")
        if self.totals:
            moved.append(
                f"{self.totals} total{'s' if self.totals != 1 else ''} of jobs and units moved along"
            )
        return "; ".join(moved) or "no reading or job lies after it"


def meter_change_enter(
    person: Person,
    meter: Meter,
    *,
    day: datetime.date,
    kind: str,
    last_old: str,
    first_new: str,
    note: str = "",
) -> ChangeDone:
    """Note a change of a meter as a person types it.

    Args:
        person: who says so.
        meter: the meter, with its vehicle and depot.
        day: the first day of the new count.
        kind: "replaced" or "rolled over".
        last_old, first_new: what the old and the new count showed, as typed, in the meter's own unit.
        note: anything to remember, e.g. where the photo is.

    Raises:
        NotAllowed: the role does not reach so far.
        InputError: a value, the kind or the day cannot be.
        ConflictError: a change is noted for that day already.
    """
    _may_change(person)
    values, wrong = {}, {}
    for name, text in (("last_old", last_old), ("first_new", first_new)):
        try:
            values[name] = shown_value(text, meter)
        except QuantityError as error:
            wrong[name] = str(error)
    if kind == MeterChange.Kind.ROLLED_OVER and values.get("last_old") == 0:
        wrong["last_old"] = "A meter rolls over from its highest count; give the last it showed before."
    if day > clock.today(meter.vehicle.depot.time_zone):
        wrong["day"] = f"{day} has not come yet; give the first day of the new count."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    with transaction.atomic():
        meters_hold(keys_of([meter.pk]))
        if MeterChange.objects.filter(meter=meter, day=day).exists():
            sentence = f"A change of {day} is noted already; withdraw it first if it is wrong."
            raise ConflictError(sentence, fields={"day": sentence})
        _check_last(meter, day, kind, values["last_old"])
        return _record(meter, day, kind, values["last_old"], values["first_new"], person, note.strip())


def meter_change_record(
    meter: Meter,
    *,
    day: datetime.date,
    kind: str,
    last_old: float,
    first_new: float,
    person: Person | None = None,
) -> MeterChange:
    """Note that a meter was replaced or rolled over, or correct what was noted for that day.

    Args:
        meter: the meter.
        day: the first day of the new count.
        kind: "replaced" or "rolled over".
        last_old, first_new: as the meter showed them, own unit.

    Raises:
        InputError: the kind is unknown or a value is below zero.
    """
    with transaction.atomic():
        return _record(meter, day, kind, last_old, first_new, person, "").change


def meter_change_withdraw(person: Person, change: MeterChange, note: str) -> ChangeDone:
    """Take a change back that was noted wrongly; why stays on record, and the totals return to what they were.

    Raises:
        NotAllowed: the role does not reach so far.
        InputError: no reason is given.
    """
    _may_change(person)
    if not note.strip():
        sentence = "Say why the change is taken back, e.g. “typed for the wrong vehicle”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        meters_hold(keys_of([change.meter_id]))
        moved = MovedTotals.before(change.meter, change.day)
        noted = change_note(
            change, _key(change), before=_shown(change), after={"withdrawn": True, "why": note.strip()}
        )
        change.delete()
        return _followed(change, moved, [noted], person)


def meters_recompute(meters: Collection[Meter]) -> list[ChangeRecord]:
    """Work out again every total of meters whose changes changed, inside the caller's transaction.

    Readings a person has answered keep that answer; all others are judged again in time order.

    Returns:
        The change records, not yet written.
    """
    ids = {meter.pk for meter in meters}
    found = meters_held(ids)
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
            before = reading_shown(reading)
            if reading.answer:
                count_in(reading, history)
            else:
                judge_one(reading, history)
            after = reading_shown(reading)
            if after != before:
                changed.append(reading)
                notes.append(change_note(reading, reading_key(reading), before=before, after=after))
    names = ["status", "true_total", "question_code", "question", "guess_value"]
    Reading.objects.bulk_update(changed, names, batch_size=200)
    return notes


def _record(
    meter: Meter,
    day: datetime.date,
    kind: str,
    last_old: float,
    first_new: float,
    person: Person | None,
    note: str,
) -> ChangeDone:
    if kind not in MeterChange.Kind.values:
        sentence = f"“{kind}” is no meter change; allowed: {', '.join(MeterChange.Kind.values)}."
        raise InputError(sentence, fields={"kind": sentence})
    if not (last_old >= 0 and first_new >= 0):
        sentence = "A meter shows zero or more; give both values as they were read."
        raise InputError(sentence, fields={"last_old": sentence})
    values = {"kind": kind, "last_old": last_old, "first_new": first_new}
    held = MeterChange.objects.filter(meter=meter, day=day).first()
    before = _shown(held) if held else None
    if before == values:
        return ChangeDone(held, 0, 0)
    moved = MovedTotals.before(meter, day)
    change, _ = MeterChange.objects.update_or_create(meter=meter, day=day, defaults=values)
    after = values | ({"why": note} if note else {})
    return _followed(change, moved, [change_note(change, _key(change), before=before, after=after)], person)


def _followed(
    change: MeterChange, moved: MovedTotals, notes: list[ChangeRecord], person: Person | None
) -> ChangeDone:
    """Count the readings anew, move what was worked out from them, and work the due lines out."""
    readings = meters_recompute([change.meter])
    totals = moved.move(f"change of the {change.meter.kind} on {change.day} counts anew")
    changes_write([*notes, *readings, *totals], person=person)
    due_refresh_now([change.meter.vehicle_id])
    return ChangeDone(change, len(readings), len(totals))


def _check_last(meter: Meter, day: datetime.date, kind: str, last_old: float) -> None:
    """Refuse an old count that had already been passed by an accepted reading."""
    passed = (
        Reading.objects.filter(meter=meter, status=Reading.Status.ACCEPTED, read_on__lt=day)
        .order_by("-read_on", "-read_at")
        .first()
    )
    earlier = MeterChange.objects.filter(meter=meter, day__lt=day).order_by("-day").first()
    is_same_count = passed is not None and (earlier is None or passed.read_on >= earlier.day)
    if is_same_count and kind == MeterChange.Kind.REPLACED and last_old < passed.raw_value - 1e-9:
        seen = f"{passed.raw_text} on {passed.read_on}"
        sentence = f"The old meter showed {seen} already; it cannot have ended at {last_old:g}."
        raise InputError(sentence, fields={"last_old": sentence})


def _shown(change: MeterChange) -> dict[str, object]:
    return {name: getattr(change, name) for name in ("kind", "last_old", "first_new")}


def _key(change: MeterChange) -> str:
    return f"{change.meter} {change.day}"


def _may_change(person: Person) -> None:
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not note a meter's change; ask Fleet or the foreman.")
