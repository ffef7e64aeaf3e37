"""Laboratory samples: recorded once they fit their job, and accepted or declined by a person."""

import datetime
from dataclasses import asdict, dataclass
from math import isfinite

from django.db import transaction

from intervals.errors import HatchmarkError
from intervals.exchange.sampling import CONTENT_SD_SHARE, Contents
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, FluidSample, Job, LastService, Person, Unit
from shop.selectors.samples import contents_of, sampled_share
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.job_credit import limits_reshare
from shop.services.last_service import last_service_reshare
from shop.services.orders import order_list_propose

MEASURED = "measured: {} by laboratory report {}"


@dataclass(frozen=True, slots=True)
class SampleReport:
    """What a laboratory found of one element before, in the new fluid and after a job, mg/kg.

    sd_share: standard deviation of one content, as a share of it, by the laboratory's own statement.
    """

    taken_on: datetime.date
    element: str
    before_mg_kg: float
    new_mg_kg: float
    after_mg_kg: float
    laboratory_ref: str
    sd_share: float = CONTENT_SD_SHARE
    note: str = ""


def sample_record(person: Person, job: Job, report: SampleReport) -> FluidSample:
    """Record a sample of a finished job on fluid; the same one again returns the one there is.

    Raises NotAllowed for a role that may not record work, InputError where the contents cannot be used or do not fit
    the litres of the job, ConflictError where the same report says something else already.
    """
    if not person.can("do"):
        raise NotAllowed("Your role may not record samples; ask the workshop to type it in.")
    report_check(job, report)
    values = asdict(report)
    key = {name: values.pop(name) for name in ("element", "laboratory_ref")}
    with transaction.atomic():
        sample, is_new = FluidSample.objects.get_or_create(
            job=job, **key, defaults={**values, "recorded_by": person}
        )
        if is_new:
            changes_write([change_note(sample, str(sample), after=values)], person=person)
        elif any(getattr(sample, name) != value for name, value in values.items()):
            sentence = (
                f"Report {report.laboratory_ref} is on record for {job.code} with other figures; give the laboratory's "
                "new report its own number."
            )
            raise ConflictError(sentence, fields={"laboratory_ref": sentence})
    return sample


def report_check(job: Job, report: SampleReport) -> None:
    """Refuse a sample that cannot be, or does not fit its job. Raises InputError naming the field."""
    wrong: dict[str, str] = {}
    if job.subject != "fluid" or job.state != Job.State.HANDED_BACK or job.done_on is None:
        wrong["job"] = f"{job.code} is no finished job on fluid; a sample is taken after one."
    elif report.taken_on < job.done_on:
        wrong["taken_on"] = f"It was taken before the job of {job.done_on}; take a sample after it, hot."
    elif report.taken_on > clock.today(job.vehicle.depot.time_zone):
        wrong["taken_on"] = f"{report.taken_on} has not come yet; write the day it was taken."
    for name, what in (("element", "Which element"), ("laboratory_ref", "Which report of the laboratory")):
        if not getattr(report, name).strip():
            wrong[name] = f"{what} is it? Write it as the report does."
    for name in ("before_mg_kg", "new_mg_kg", "after_mg_kg"):
        value = getattr(report, name)
        if not (isfinite(value) and value >= 0):
            wrong[name] = f"{value:g} cannot be; write mg/kg, zero or more."
    if not wrong:
        contents = Contents(report.before_mg_kg, report.new_mg_kg, report.after_mg_kg, report.sd_share)
        try:
            sampled_share(job, contents)
        except HatchmarkError as error:
            wrong["after_mg_kg"] = str(error)
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def sample_decide(sample: FluidSample, accept: bool, person: Person) -> FluidSample:
    """Accept a sample, whose share then is the job's, or decline it.

    Where the job is the unit's last one, fluid age, next date and order list follow. Raises NotAllowed for a role that
    may not change unit data, ConflictError where it is decided already, another sample of the job is accepted, or the
    age before the job cannot be had back; nothing is written then.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not accept samples; ask the foreman.")
    with transaction.atomic():
        # The same lock as closing a job takes.
        Unit.objects.select_for_update(no_key=True).get(pk=sample.job.unit_id)
        row = (
            FluidSample.objects.select_for_update(of=("self",))
            .select_related(
                "job__unit__unit_model__product", "job__product", "job__vehicle__depot", "job__jug"
            )
            .get(pk=sample.pk)
        )
        if row.state != FluidSample.State.RECORDED:
            raise ConflictError(f"This sample is {row.state} already; reload the page.")
        notes = _accept(row) if accept else []
        before = {"state": row.state}
        row.state = FluidSample.State.ACCEPTED if accept else FluidSample.State.DECLINED
        row.decided_by, row.decided_at = person, clock.now()
        row.save(update_fields=["state", "decided_by", "decided_at", "computed_share"])
        notes.append(change_note(row, str(row), before=before, after={"state": row.state}))
        changes_write(notes, person=person)
        if accept:
            depot = row.job.vehicle.depot
            due_refresh_now([row.job.vehicle_id])
            order_list_propose(depot, clock.today(depot.time_zone), clock.local_time(depot.time_zone))
    return row


def _accept(sample: FluidSample) -> list[ChangeRecord]:
    job = sample.job
    if job.samples.filter(state=FluidSample.State.ACCEPTED).exists():
        raise ConflictError(f"Another sample of {job.code} is accepted already; decline this one.")
    try:
        share = sampled_share(job, contents_of(sample)).share
    except HatchmarkError as error:
        raise ConflictError(f"{error} Decline this sample, or put the job right first.") from error
    sample.computed_share = job.fresh_share
    last = LastService.objects.select_for_update().filter(job=job, subject="fluid").first()
    notes = []
    if last is not None and last.fresh_share is not None:
        before = {"fresh_share": last.fresh_share, "age_km": last.age_km, "age_h": last.age_h}
        limits_reshare(last, job.done_on, share)
        last_service_reshare(last, share)
        last.save()
        notes.append(
            change_note(last, f"{job.unit.code} fluid", before=before,
                        after={"fresh_share": share, "age_km": last.age_km, "age_h": last.age_h})
        )  # fmt: skip
    was = {"fresh_share": job.fresh_share, "share_basis": job.share_basis}
    job.fresh_share, job.share_basis = share, MEASURED.format(sample.element, sample.laboratory_ref)
    job.save(update_fields=["fresh_share", "share_basis"])
    after = {"fresh_share": share, "share_basis": job.share_basis}
    return [*notes, change_note(job, job.code, before=was, after=after)]
