"""Meters found by what people call them, with their changes and readings, and whose a stray reading may be."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite

from django.db.models import QuerySet

from intervals.quantities import to_km
from shop.models import ChangeRecord, Meter, MeterChange, Person, Reading
from shop.selectors.access import depots_of, vehicles_of
from shop.selectors.meter_usage import SOURCE_TRUST, usage_of

READINGS_SHOWN = 10
FIT_DAYS = 2.0
"""A stray reading fits another vehicle when it lies within so many days' use of what is expected there. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A change of a meter that was taken back, as the change records keep it."""

    day: date
    kind: str
    last_old: float
    first_new: float
    record: ChangeRecord

    @property
    def why(self) -> str:
        """What was said as the reason."""
        return str(self.record.after["why"])


@dataclass(frozen=True, slots=True)
class MeterShown:
    """A meter with what changed on it, what was taken back, and its latest readings, raw and true apart."""

    meter: Meter
    changes: list[MeterChange]
    taken_back: list[TakenBack]
    readings: list[Reading]
    overruled: set[int]
    """Accepted readings that do not count, because a source trusted more (or a later one) was read on the same day."""


def meters_by_name(person: Person, numbers: Iterable[str]) -> dict[tuple[str, str], Meter]:
    """Return the meters of vehicles the person sees, by vehicle number and kind of meter, in one query."""
    meters = Meter.objects.filter(
        vehicle__depot__in=depots_of(person), vehicle__number__in=set(numbers)
    ).select_related("vehicle__depot")
    return {(meter.vehicle.number, meter.kind): meter for meter in meters}


def meter_changes_of(person: Person) -> QuerySet[MeterChange]:
    """Return the changes of meters on vehicles of the person's depots."""
    return MeterChange.objects.filter(meter__vehicle__depot__in=depots_of(person)).select_related(
        "meter__vehicle__depot"
    )


def meters_shown(person: Person, number: str) -> list[MeterShown] | None:
    """Return the meters of a vehicle; None when the person may not see it or it does not exist."""
    vehicle = vehicles_of(person).filter(number=number).first()
    if vehicle is None:
        return None
    meters = vehicle.meters.select_related("vehicle__depot").prefetch_related("changes")
    found = []
    for meter in meters:
        changes = sorted(meter.changes.all(), key=lambda change: change.day, reverse=True)
        readings = list(meter.readings.order_by("-read_at", "-pk")[:READINGS_SHOWN])
        found.append(MeterShown(meter, changes, _taken_back(meter), readings, _overruled(meter, readings)))
    return found


def _taken_back(meter: Meter) -> list[TakenBack]:
    """Return a meter's changes that were taken back, the latest first."""
    records = ChangeRecord.objects.filter(
        table=MeterChange._meta.verbose_name, key__startswith=f"{meter} ", after__withdrawn=True
    )
    return [
        TakenBack(date.fromisoformat(record.key.split()[-1]), **record.before, record=record)
        for record in records.select_related("changed_by")[:READINGS_SHOWN]
    ]


def _overruled(meter: Meter, readings: Sequence[Reading]) -> set[int]:
    accepted = meter.readings.filter(
        status=Reading.Status.ACCEPTED, read_on__in={reading.read_on for reading in readings}
    )
    counts: dict[date, Reading] = {}
    for reading in sorted(accepted, key=lambda one: (-SOURCE_TRUST.index(one.source), one.read_at)):
        counts[reading.read_on] = reading
    return {
        reading.pk
        for reading in readings
        if reading.status == Reading.Status.ACCEPTED and counts[reading.read_on].pk != reading.pk
    }


def whose_may_be(readings: Sequence[Reading]) -> dict[int, str]:
    """Return reading → number of the one other vehicle it fits; readings that fit none or several are left out.

    Compared are vehicles of the same kind and depot: the value has to lie within two days' use of what their meter
    is expected to show on that day, by its own readings.
    """
    found: dict[int, str] = {}
    by_yard: dict[tuple[int, str, str], list[Reading]] = defaultdict(list)
    for reading in readings:
        vehicle = reading.meter.vehicle
        by_yard[vehicle.depot_id, vehicle.kind, reading.meter.kind].append(reading)
    for (depot_pk, vehicle_kind, meter_kind), own in by_yard.items():
        meters = Meter.objects.filter(
            vehicle__depot=depot_pk, vehicle__kind=vehicle_kind, kind=meter_kind, changes__isnull=True
        ).select_related("vehicle")
        known = {meter.pk: meter for meter in meters}
        usage = usage_of(list(known.values()), max(reading.read_on for reading in own))
        for reading in own:
            fits = [
                meter.vehicle.number
                for pk, meter in known.items()
                if pk != reading.meter_id
                and meter.shown_in == reading.meter.shown_in
                and _fits(reading, usage[pk])
            ]
            if len(fits) == 1:
                found[reading.pk] = fits[0]
    return found


def _fits(reading: Reading, usage: tuple[float, ...]) -> bool:
    rate, _, last_total, last_day, *_ = usage
    if not (isfinite(rate) and isfinite(last_total)) or rate <= 0:
        return False
    expected = last_total + rate * (reading.read_on.toordinal() - last_day)
    shown = reading.raw_value if reading.meter.counts_hours else _km(reading)
    return abs(shown - expected) <= FIT_DAYS * rate


def _km(reading: Reading) -> float:
    return to_km(reading.raw_value, reading.meter.shown_in)
