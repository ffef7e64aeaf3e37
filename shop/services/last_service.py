"""Where a unit stands after a job: the age its fluid carries over, in km, hours and days."""

import datetime
from dataclasses import dataclass
from typing import Protocol

from intervals.fluid_age import Parcel, age_after_exchange, age_parcels, exchange_parcels
from shop.errors import ConflictError, InputError
from shop.models import Fitting, LastService, Meter
from shop.selectors.meter_usage import usage_of


class Done(Protocol):
    """What a job report says about when and what."""

    subject: str
    done_on: datetime.date


@dataclass(frozen=True, slots=True)
class Totals:
    """A unit's own running totals, None where its vehicle has no such meter."""

    km: float | None
    h: float | None


@dataclass(frozen=True, slots=True)
class Ages:
    """Mean age of a fill on each clock, None where it cannot be said."""

    km: float | None
    h: float | None
    days: float | None


def last_service_move(
    fitting: Fitting, report: Done, totals: Totals, fresh_share: float | None
) -> tuple[Ages, Ages, LastService]:
    """Return the ages before and after a job, and the unit's last-service row moved on to it (not saved).

    Fluid of unknown history is taken to be as old as it can honestly be: the unit's own whole run.
    fresh_share: 0 to 1; None for a part that was changed whole. Raises InputError when a later job is on record.
    """
    unit = fitting.unit
    last = LastService.objects.select_for_update().filter(unit=unit, subject=report.subject).first()
    if last is not None and last.done_on is not None and last.done_on > report.done_on:
        sentence = f"A job on {last.done_on} is on record already; one before it cannot be closed after it."
        raise InputError(sentence, fields={"done_on": sentence})
    share = 1.0 if fresh_share is None else fresh_share
    known = _ages_at(last, report.done_on, totals)
    before = Ages(
        *(
            own if own is not None else oldest
            for own, oldest in zip(
                (known.km, known.h, known.days), _oldest(fitting, report.done_on, totals), strict=True
            )
        )
    )
    after = Ages(*(_aged(share, age) for age in (before.km, before.h, before.days)))
    moved = last or LastService(unit=unit, subject=report.subject)
    moved.parcels = _parcels(last, report.done_on, share)
    moved.done_on = report.done_on
    moved.unit_km, moved.unit_h = totals.km, totals.h
    moved.age_km, moved.age_h, moved.age_days = after.km, after.h, after.days
    moved.fresh_share = fresh_share
    moved.is_age_assumed = share < 1.0 and (last is None or last.is_age_assumed or known != before)
    return before, after, moved


def last_service_reshare(last: LastService, share: float) -> None:
    """Move a last-service row to another fresh share of the same job (not saved).

    The age before the job is that after it over the old share that stayed. Raises ConflictError where nothing old was
    said to stay, because then the age before is not on record.
    """
    was_old = 1.0 - (1.0 if last.fresh_share is None else last.fresh_share)
    if was_old <= 0.0:
        raise ConflictError(
            "This job counted as a full change, so how old the fluid was before it is not on record; decline the "
            "sample, or close the job again with the litres that went in."
        )
    scale = (1.0 - share) / was_old
    for name in ("age_km", "age_h", "age_days"):
        age = getattr(last, name)
        setattr(last, name, None if age is None else age * scale)
    fresh, *older = last.parcels or [{"share": last.fresh_share, "age_days": 0.0}]
    last.parcels = [
        {**fresh, "share": share},
        *({**part, "share": part["share"] * scale} for part in older if share < 1.0),
    ]
    last.fresh_share = share


def _ages_at(last: LastService | None, day: datetime.date, totals: Totals) -> Ages:
    if last is None:
        return Ages(None, None, None)
    days = None if last.done_on is None else float((day - last.done_on).days)
    return Ages(
        _run_on(last.age_km, last.unit_km, totals.km),
        _run_on(last.age_h, last.unit_h, totals.h),
        None if last.age_days is None or days is None else last.age_days + days,
    )


def _oldest(
    fitting: Fitting, day: datetime.date, totals: Totals
) -> tuple[float | None, float | None, float | None]:
    """Return the oldest the fluid can be: the unit's whole run, in days at the present use."""
    days = []
    by_kind = {Meter.Kind.ODOMETER: totals.km, fitting.unit.unit_model.hours_meter: totals.h}
    for meter in fitting.vehicle.meters.filter(kind__in=by_kind):
        total, rate = by_kind[meter.kind], usage_of([meter], day)[meter.pk][0]
        if total is not None and rate > 0:
            days.append(total / rate)
    return totals.km, totals.h, max(days, default=None)


def _run_on(age: float | None, total_then: float | None, total_now: float | None) -> float | None:
    if age is None or total_then is None or total_now is None:
        return None
    return age + max(0.0, total_now - total_then)


def _aged(share: float, age: float | None) -> float | None:
    """Nothing old is left after a full change, whatever its age was; otherwise unknown stays unknown."""
    if share >= 1.0:
        return 0.0
    return None if age is None else float(age_after_exchange(share, age))


def _parcels(last: LastService | None, day: datetime.date, share: float) -> list[dict[str, float | None]]:
    """Return what the fill is made of, freshest first, ages in days; an age that is not known stays None."""
    if last is None or last.done_on is None or last.age_days is None:
        kept = [] if share >= 1.0 else [{"share": 1.0 - share, "age_days": None}]
        return [{"share": share, "age_days": 0.0}, *kept]
    run = float((day - last.done_on).days)
    held = [Parcel(part["share"], part["age_days"]) for part in last.parcels if part["age_days"] is not None]
    if abs(sum(part.share for part in held) - 1.0) > 1e-9:
        held = [Parcel(1.0, last.age_days)]
    moved = exchange_parcels(age_parcels(held, run), share)
    return [{"share": part.share, "age_days": part.age} for part in moved]
