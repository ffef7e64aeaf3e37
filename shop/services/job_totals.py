"""Where a unit's own totals stood on the day of a job."""

import datetime
from math import isfinite

from shop import clock
from shop.errors import InputError
from shop.models import Fitting, Meter, Person, Reading
from shop.selectors.core_inputs import gather
from shop.selectors.meter_usage import usage_of
from shop.services.job_report import JobReport
from shop.services.last_service import Totals
from shop.services.readings import reading_record

METER_GOOD_FOR_DAYS = 31
"""An older reading than this is not projected to the day of the job; the meter has to be read. House default."""


def totals_on(person: Person, fitting: Fitting, report: JobReport) -> Totals:
    """Return the unit's own totals on the day of the job, from the meters as typed or the newest known.

    Hours are those of the meter the unit's model names. Only a meter that one of the unit's rules counts on is insisted
    on; the odometer also where the hours are guessed from it. Raises InputError naming the field to fill.
    """
    meters = {meter.kind: meter for meter in fitting.vehicle.meters.select_related("vehicle__depot")}
    km, h = meters.get(Meter.Kind.ODOMETER), meters.get(fitting.unit.unit_model.hours_meter)
    if km is not None:
        _record(person, fitting, km, report, "meter_text")
    if h is not None:
        _record(person, fitting, h, report, "meter_text" if km is None else "hours_text")
    usage = usage_of([meter for meter in (km, h) if meter], report.done_on)
    lines = gather(report.done_on, Fitting.objects.filter(pk=fitting.pk)).lines
    by_km = any(
        line.version.interval_km or (line.version.interval_h and isfinite(line.guess_km_h)) for line in lines
    )
    return Totals(
        km=_total(km, usage, "meter_text", is_needed=by_km,
                  shift=fitting.unit_km_at_fit - fitting.vehicle_km_at_fit),
        h=_total(h, usage, "meter_text" if km is None else "hours_text",
                 is_needed=any(line.version.interval_h for line in lines),
                 shift=fitting.unit_h_at_fit - fitting.vehicle_h_at_fit),
    )  # fmt: skip


def _record(person: Person, fitting: Fitting, meter: Meter, report: JobReport, name: str) -> None:
    text = getattr(report, name).strip()
    if not text:
        return
    zone = fitting.vehicle.depot.time_zone
    read_at = clock.now()
    if report.done_on != clock.today(zone):
        read_at = clock.local_instant(report.done_on, datetime.time(12), zone)
    try:
        reading = reading_record(meter, text, source="workshop", read_at=read_at, person=person)
    except InputError as error:
        raise InputError(error.sentence, fields={name: error.sentence}) from error
    if reading.status != Reading.Status.ACCEPTED:
        raise InputError(reading.question, fields={name: reading.question})


def _total(
    meter: Meter | None, usage: dict[int, tuple[float, ...]], name: str, *, is_needed: bool, shift: float
) -> float | None:
    if meter is None:
        return None
    rate, _, last_total, _, stale_days, *_ = usage[meter.pk]
    ahead = rate * stale_days if stale_days else 0.0
    if stale_days <= METER_GOOD_FOR_DAYS and ahead == ahead:
        return float(last_total + ahead + shift)
    if not is_needed:
        return None
    sentence = f"No {meter.kind} reading is new enough to say where it stood that day; type what it shows."
    raise InputError(sentence, fields={name: sentence})
