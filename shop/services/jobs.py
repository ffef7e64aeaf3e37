"""Closing a job: fluid age, next date, stock, used oil and the records move together, or nothing moves."""

from django.db import transaction

from intervals.errors import HatchmarkError
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Fitting, Job, LastService, Person, Reservation, Unit
from shop.selectors.may_go_in import why_not, why_rinse
from shop.services.changes import change_note, changes_write
from shop.services.deferrals import deferrals_done
from shop.services.due import due_refresh_now
from shop.services.job_consequences import Followed, fitting_on, follow
from shop.services.job_report import JobReport, report_check
from shop.services.job_stock import stock_issue, waste_take
from shop.services.job_tools import LEARNED_FROM, JobTools, job_tools
from shop.services.job_totals import totals_on
from shop.services.job_volumes import Volumes, measure
from shop.services.last_service import Totals
from shop.services.orders import order_list_propose

__all__ = ["JobReport", "job_close"]

AS_MEASURED = (
    "out_l",
    "out_kg",
    "out_temp_c",
    "in_l",
    "in_kg",
    "in_temp_c",
    "product_in_l",
    "strength_found_share",
    "strength_left_share",
    "strength_by",
    "boiling_found_c",
    "boiling_left_c",
    "level_temp_c",
    "level_reading_mm",
    *LEARNED_FROM,
)


def job_close(person: Person, unit: Unit, report: JobReport) -> Job:
    """Close a job on a unit and move everything that follows from it in one transaction.

    Returns the job, handed back. Raises NotAllowed for a role that may not close jobs, InputError with the fields
    that are wrong or missing, ConflictError where stock, tank or an earlier close stand against it; nothing is
    written then.
    """
    if not person.can("close"):
        raise NotAllowed("Your role may not close jobs; ask a technician or the foreman to close it.")
    with transaction.atomic():
        # Two people closing the same unit at once: the second waits and then sees the first one's job.
        Unit.objects.select_for_update(no_key=True).get(pk=unit.pk)
        fitting = fitting_on(unit, report.done_on)
        report_check(unit, report, fitting)
        tools = job_tools(person, report)
        volumes = _measured(unit, report, tools) if report.subject == "fluid" else None
        totals = totals_on(person, fitting, report)
        followed = follow(fitting, report, totals, volumes.share if volumes else None)
        job = _job(unit, fitting, report, volumes, totals, tools)
        job.stood_before = followed.stood_before
        job.save(update_fields=["stood_before"])
        last = followed.last
        last.job = job
        if volumes is not None:
            _move_fluid(person, fitting, job, last, volumes, report)
        last.save()
        _note(person, job, followed)
        deferrals_done(unit, report.subject, report.done_on, report.done_by)
        due_refresh_now([fitting.vehicle_id])
        depot = fitting.vehicle.depot
        order_list_propose(depot, clock.today(depot.time_zone), clock.local_time(depot.time_zone))
    return job


def _measured(unit: Unit, report: JobReport, tools: JobTools) -> Volumes:
    product = unit.unit_model.product
    if product is None:
        raise InputError(
            f"No product is chosen for {unit.unit_model.code}; choose one on its unit model first."
        )
    reason = why_not(product, unit.unit_model)
    if reason:
        raise ConflictError(f"{reason} Correct the unit model's product or its approvals first.")
    rinse = why_rinse(unit)
    if rinse and not report.is_rinsed:
        sentence = f"{rinse} If that was done, say so and close the job again."
        raise ConflictError(sentence, code="rinse-first", fields={"is_rinsed": sentence})
    try:
        volumes = measure(
            unit, product, report, tools.out_factor(report.done_on), tools.in_factor(report.done_on)
        )
    except HatchmarkError as error:
        raise InputError(str(error), fields={"in_l": str(error)}) from error
    if volumes.is_uneven and not report.note.strip():
        sentence = (
            f"{volumes.waste_l:.1f} L came out and {volumes.new_fluid_l:.1f} L went in: measure again, or say why in "
            "the note."
        )
        raise InputError(sentence, fields={"in_l": sentence})
    return volumes


def _job(
    unit: Unit,
    fitting: Fitting,
    report: JobReport,
    volumes: Volumes | None,
    totals: Totals,
    tools: JobTools,
) -> Job:
    """Hand back the job that is open or booked for the unit, or write a new one."""
    job = (
        Job.objects.select_for_update()
        .filter(unit=unit, subject=report.subject, kind=Job.Kind.SERVICE)
        .exclude(state__in=[Job.State.HANDED_BACK, Job.State.TURNED_AWAY, Job.State.NO_SHOW])
        .order_by("booked_for", "pk")
        .first()
    ) or Job(code=_code(unit, report), unit=unit, vehicle=fitting.vehicle, subject=report.subject)
    job.state, job.state_since = Job.State.HANDED_BACK, clock.now()
    job.method, job.done_on = report.method, report.done_on
    job.unit_km, job.unit_h = totals.km, totals.h
    for name in AS_MEASURED:
        setattr(job, name, getattr(report, name))
    tools.set_on(job)
    job.level_proof = report.level_reason
    job.done_by, job.checked_by = report.done_by, report.checked_by
    reason = f"No road test: {report.road_test_reason}" if not report.road_tested else ""
    rinsed = "Rinsed before it was filled." if report.is_rinsed else ""
    job.note = "\n".join(
        text for text in (report.note, rinsed, reason, *tools.remarks(report.done_on)) if text
    )
    if volumes is not None:
        job.fresh_share, job.share_basis = volumes.share, volumes.basis
    job.save()
    return job


def _code(unit: Unit, report: JobReport) -> str:
    stem = f"{unit.code}-{report.done_on:%Y%m%d}"
    taken = set(Job.objects.filter(code__startswith=stem).values_list("code", flat=True))
    return next(
        code for code in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if code not in taken
    )


def _move_fluid(
    person: Person, fitting: Fitting, job: Job, last: LastService, volumes: Volumes, report: JobReport
) -> None:
    product, depot = volumes.product, fitting.vehicle.depot
    last.product = job.product = product
    last.batch = job.batch = stock_issue(
        person, depot, job, product, volumes.product_l, report.done_on, report.batch
    )
    waste_take(depot, job, product, volumes.waste_l)
    Reservation.objects.filter(unit=job.unit, product=product, is_open=True).update(is_open=False)
    job.save(update_fields=["batch", "product"])


def _note(person: Person, job: Job, followed: Followed) -> None:
    last, before, after = followed.last, followed.before, followed.after
    note = change_note(
        last,
        f"{job.unit.code} {job.subject}",
        before={"age_km": before.km, "age_h": before.h, "age_days": before.days},
        after={
            "job": job.code, "method": job.method, "fresh_share": last.fresh_share, "age_km": after.km,
            "age_h": after.h, "age_days": after.days, "batch": last.batch,
        },
    )  # fmt: skip
    changes_write([note], person=person)
