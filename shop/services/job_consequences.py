"""What follows from a job for its unit: worked out at its close, and again when the totals it was closed with move."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Q

from shop.errors import InputError
from shop.models import Fitting, Job, LastService, Unit
from shop.services.changes import plain
from shop.services.job_credit import RunLimits, limits_keep, run_limits
from shop.services.job_standing import OF_A_JOB, standing_at, standing_keep
from shop.services.last_service import Ages, Done, Totals, last_service_move

OF_A_ROW = ("unit_id", "subject", "id")
AS_DONE = ("product_id", "batch", "job_id")
OF_ITS_RULE = ("run_limit_km", "run_limit_h", "run_limit_days", *OF_A_JOB)


@dataclass(frozen=True, slots=True)
class Followed:
    """What follows from a job.

    Attributes:
        stood_before: the unit's last-service row as it stood until then; empty where there was none.
        before, after: the ages of the fluid before and after the job.
        last: the row moved on to the job, not saved.
    """

    stood_before: dict[str, object]
    before: Ages
    after: Ages
    last: LastService


def follow(fitting: Fitting, done: Done, totals: Totals, fresh_share: float | None) -> Followed:
    """Work out what follows from a job, from what stands in the database before it.

    fresh_share: 0 to 1; None for a part that was changed whole. Raises InputError when a later job is on record.
    """
    held = LastService.objects.filter(unit=fitting.unit_id, subject=done.subject).first()
    limits = run_limits(fitting, done, totals, 1.0 if fresh_share is None else fresh_share)
    standing = standing_at(fitting, done, totals, is_whole=limits == RunLimits())
    before, after, last = last_service_move(fitting, done, totals, fresh_share)
    limits_keep(last, limits)
    standing_keep(last, standing)
    return Followed(stood(held) if held else {}, before, after, last)


def follow_again(last: LastService, jobs: Sequence[Job]) -> None:
    """Work out again what stands after jobs of a unit, from what stood before the first; all of it is saved.

    Of a unit that has left its vehicle the limits and the scheduled point stay: its rules no longer say.

    Args:
        last: the row the jobs led to.
        jobs: as `jobs_behind` returns them, with the totals that hold now.
    """
    was_after = [*(job.stood_before for job in jobs[1:]), stood(last)]
    for job, later, was in zip(jobs, [*jobs[1:], None], was_after, strict=True):
        _put_back(last, job.stood_before)
        fitting = fitting_on(job.unit, job.done_on)
        row = follow(fitting, job, Totals(job.unit_km, job.unit_h), was["fresh_share"]).last
        kept = AS_DONE if fitting.removed_on is None else (*AS_DONE, *OF_ITS_RULE)
        _set(row, {name: was[name] for name in kept})
        row.pk = last.pk
        row.save()
        job.save(update_fields=["stood_before"])
        if later is not None:
            later.stood_before = stood(row)
    last.refresh_from_db()


def jobs_behind(last: LastService, jobs: Mapping[int, Job]) -> list[Job]:
    """Return the jobs, oldest first, that led to a last-service row and can be worked out again.

    jobs: those that may be, by key. The chain ends where what stood before was not noted, or was put right since.
    """
    found: list[Job] = []
    stands = stood(last)
    while (job := jobs.get(stands.get("job_id"))) is not None and job.stood_before is not None:
        is_of_job = (stands["done_on"], stands["unit_km"], stands["unit_h"]) == (
            plain(job.done_on),
            job.unit_km,
            job.unit_h,
        )
        if not is_of_job:
            break
        found.insert(0, job)
        stands = job.stood_before
    return found


def fitting_on(unit: Unit, day: datetime.date) -> Fitting:
    """Return where a unit was fitted on a day; raises InputError when it was in no vehicle."""
    fitting = (
        Fitting.objects.filter(unit=unit)
        .filter(Q(fitted_on__isnull=True) | Q(fitted_on__lte=day))
        .filter(Q(removed_on__isnull=True) | Q(removed_on__gt=day))
        .select_related("unit__unit_model", "vehicle__depot__stores_at", "vehicle__season")
        .order_by("-fitted_on", "-pk")
        .first()
    )
    if fitting is None:
        sentence = f"{unit.code} was in no vehicle on {day}; fit it first, or correct the day."
        raise InputError(sentence, fields={"done_on": sentence})
    return fitting


def stood(last: LastService) -> dict[str, object]:
    """Return all that a last-service row says, as JSON can hold it."""
    return {
        field.attname: plain(getattr(last, field.attname))
        for field in LastService._meta.concrete_fields
        if field.attname not in OF_A_ROW
    }


def _put_back(last: LastService, values: Mapping[str, object]) -> None:
    if not values:
        LastService.objects.filter(pk=last.pk).delete()
        return
    row = LastService(pk=last.pk, unit_id=last.unit_id, subject=last.subject)
    _set(row, values)
    row.save()


def _set(row: LastService, values: Mapping[str, object]) -> None:
    for field in LastService._meta.concrete_fields:
        if field.attname in values:
            setattr(row, field.attname, field.to_python(values[field.attname]))
