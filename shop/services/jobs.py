"""Closing a job: fluid age, next date, stock, used oil and the records move together, or nothing moves."""

import datetime
from dataclasses import dataclass

from django.db import transaction
from django.db.models import F

from intervals.errors import HatchmarkError
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import (
    Fitting,
    Job,
    LastService,
    Meter,
    Person,
    Product,
    Reading,
    Reservation,
    StockItem,
    StockMovement,
    Unit,
    WasteMovement,
    WasteTank,
)
from shop.selectors.core_inputs import usage_of
from shop.selectors.fluids import why_not
from shop.selectors.shelf import first_to_use
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.job_volumes import Volumes, measure
from shop.services.last_service import Ages, Totals, last_service_move
from shop.services.readings import reading_record

METER_GOOD_FOR_DAYS = 31
"""An older reading than this is not projected to the day of the job; the meter has to be read. House default."""


@dataclass(frozen=True, slots=True)
class JobReport:
    """What the person who did the job wrote down. Volumes as read, temperatures in °C; empty means not taken.

    A pair of litres and kilograms is one measurement; kilograms win because they need no temperature.
    """

    method: str
    done_on: datetime.date
    out_l: float | None = None
    out_kg: float | None = None
    out_temp_c: float | None = None
    in_l: float | None = None
    in_kg: float | None = None
    in_temp_c: float | None = None
    level_temp_c: float | None = None
    level_reading_mm: float | None = None
    level_reason: str = ""
    leak_checked: bool = False
    road_tested: bool = False
    road_test_reason: str = ""
    batch: str = ""
    meter_text: str = ""
    done_by: str = ""
    checked_by: str = ""
    note: str = ""
    subject: str = "fluid"


def job_close(person: Person, unit: Unit, report: JobReport) -> Job:
    """Close a job on a unit and move everything that follows from it in one transaction.

    Returns the job, handed back. Raises NotAllowed for a role that may not close jobs, InputError with the fields
    that are wrong or missing, ConflictError where stock or tank cannot take it; nothing is written then.
    """
    if not person.can("close"):
        raise NotAllowed("Your role may not close jobs; ask a technician or the foreman to close it.")
    with transaction.atomic():
        fitting = _fitting(unit)
        _check(unit, report, fitting)
        is_fluid = report.subject == "fluid"
        volumes = _measured(unit, report) if is_fluid else None
        totals = _totals(person, fitting, report)
        before, after, last = last_service_move(unit, report, totals, volumes.share if volumes else None)
        job = _job(unit, fitting, report, volumes, totals)
        last.job = job
        if volumes is not None:
            product = unit.unit_model.product
            assert product is not None  # _measured refused it otherwise
            last.product = product
            last.batch = job.batch = _issue_stock(person, fitting, job, product, volumes, report)
            job.product = product
            _take_waste(fitting, job, product, volumes)
            Reservation.objects.filter(unit=unit, product=product, is_open=True).update(is_open=False)
            job.save(update_fields=["batch", "product"])
        last.save()
        _note(person, job, last, before, after)
        due_refresh_now([fitting.vehicle_id])
    return job


def _fitting(unit: Unit) -> Fitting:
    fitting = (
        Fitting.objects.filter(unit=unit, removed_on__isnull=True)
        .select_related("vehicle__depot__stores_at", "vehicle__season")
        .first()
    )
    if fitting is None:
        raise InputError(f"{unit.code} is in no vehicle now; fit it first, then record the job.")
    return fitting


def _check(unit: Unit, report: JobReport, fitting: Fitting) -> None:
    """Refuse a report that leaves out what a closed job has to prove."""
    wrong: dict[str, str] = {}
    if report.done_on > clock.today(fitting.vehicle.depot.time_zone):
        wrong["done_on"] = f"{report.done_on} has not come yet; write the day it was done."
    if not report.done_by.strip():
        wrong["done_by"] = "Who did it? Write the name."
    if report.subject == "fluid":
        if not report.method:
            wrong["method"] = "How was it done? Choose the method."
        if report.in_l is None and report.in_kg is None:
            wrong["in_l"] = "How much went in? Write litres or kilograms."
        if report.out_l is None and report.out_kg is None:
            wrong["out_l"] = "How much came out? Write litres or kilograms."
        _check_level(unit, report, wrong)
    if not report.leak_checked:
        wrong["leak_checked"] = "A job is closed only after somebody has looked for leaks."
    if not report.road_tested and not report.road_test_reason.strip():
        wrong["road_test_reason"] = "No road test: say why."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def _check_level(unit: Unit, report: JobReport, wrong: dict[str, str]) -> None:
    if report.level_temp_c is None and not report.level_reason.strip():
        wrong["level_temp_c"] = (
            "At what fluid temperature was the level checked? Or say why there is no level reading."
        )
        return
    limits = {
        figure.figure: figure.value
        for figure in unit.unit_model.figures.filter(figure__in=["level_low_c", "level_high_c"])
    }
    low, high = limits.get("level_low_c"), limits.get("level_high_c")
    if report.level_temp_c is None or low is None or high is None:
        return
    if not low <= report.level_temp_c <= high:
        wrong["level_temp_c"] = (
            f"{report.level_temp_c:g} °C lies outside the {low:g}–{high:g} °C at which this level may be checked: "
            "the check is void. Check again inside the window."
        )


def _measured(unit: Unit, report: JobReport) -> Volumes:
    product = unit.unit_model.product
    if product is None:
        raise InputError(
            f"No product is chosen for {unit.unit_model.code}; choose one on its unit model first."
        )
    reason = why_not(product, unit.unit_model)
    if reason:
        raise ConflictError(f"{reason} Correct the unit model's product or its approvals first.")
    try:
        return measure(unit, product, report)
    except HatchmarkError as error:
        raise InputError(str(error), fields={"in_l": str(error)}) from error


def _totals(person: Person, fitting: Fitting, report: JobReport) -> Totals:
    """Return the unit's own totals on the day of the job, from the meter reading typed or the newest known."""
    meters = {meter.kind: meter for meter in fitting.vehicle.meters.select_related("vehicle__depot")}
    km, h = meters.get(Meter.Kind.ODOMETER), meters.get(Meter.Kind.HOURS)
    main = km or h
    if main is not None and report.meter_text.strip():
        read_at = clock.now()
        if report.done_on != clock.today(fitting.vehicle.depot.time_zone):
            read_at = clock.local_instant(report.done_on, datetime.time(12), fitting.vehicle.depot.time_zone)
        reading = reading_record(main, report.meter_text, source="workshop", read_at=read_at, person=person)
        if reading.status != Reading.Status.ACCEPTED:
            raise InputError(
                f"{reading.question} Read the meter again.", fields={"meter_text": reading.question}
            )
    usage = usage_of([meter for meter in (km, h) if meter], report.done_on)
    return Totals(
        km=_unit_total(km, usage, fitting.unit_km_at_fit - fitting.vehicle_km_at_fit),
        h=_unit_total(h, usage, fitting.unit_h_at_fit - fitting.vehicle_h_at_fit),
    )


def _unit_total(meter: Meter | None, usage: dict[int, tuple[float, ...]], shift: float) -> float | None:
    if meter is None:
        return None
    rate, _, last_total, _, stale_days, *_ = usage[meter.pk]
    if not stale_days <= METER_GOOD_FOR_DAYS:
        sentence = (
            f"The newest {meter.kind} reading is too old to say where it stood that day; type what it shows."
        )
        raise InputError(sentence, fields={"meter_text": sentence})
    ahead = rate * stale_days if stale_days else 0.0
    if ahead != ahead:
        sentence = f"Use per day of the {meter.kind} is not known; type what the meter shows."
        raise InputError(sentence, fields={"meter_text": sentence})
    return float(last_total + ahead + shift)


def _job(unit: Unit, fitting: Fitting, report: JobReport, volumes: Volumes | None, totals: Totals) -> Job:
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
    for name in (
        "out_l",
        "out_kg",
        "out_temp_c",
        "in_l",
        "in_kg",
        "in_temp_c",
        "level_temp_c",
        "level_reading_mm",
    ):
        setattr(job, name, getattr(report, name))
    job.level_proof = report.level_reason
    job.done_by, job.checked_by = report.done_by, report.checked_by
    reason = f"No road test: {report.road_test_reason}" if not report.road_tested else ""
    job.note = "\n".join(text for text in (report.note, reason) if text)
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


def _issue_stock(
    person: Person, fitting: Fitting, job: Job, product: Product, volumes: Volumes, report: JobReport
) -> str:
    """Take the litres off the shelf, from the batch named or what expires first; return the batches."""
    depot = fitting.vehicle.depot.stores_at or fitting.vehicle.depot
    items = first_to_use(depot.pk, product, report.done_on)
    if report.batch:
        items = [item for item in items if report.batch in (item.batch, item.label)]
        if not items:
            sentence = (
                f"No usable {product.code} with the batch or label “{report.batch}” stands on the shelf."
            )
            raise InputError(sentence, fields={"batch": sentence})
    wanted = volumes.new_fluid_l
    used = []
    for item in items:
        litres = min(wanted, item.on_shelf_l)
        taken = StockItem.objects.filter(pk=item.pk, on_shelf_l__gte=litres).update(
            on_shelf_l=F("on_shelf_l") - litres, opened_on=item.opened_on or report.done_on
        )
        if not taken:
            raise ConflictError(
                f"Somebody else has just taken {product.code} from “{item.label}”; close it again."
            )
        StockMovement.objects.create(
            item=item, litres=-litres, reason="filled", job=job, moved_at=clock.now(), moved_by=person
        )
        used.append(item.batch or item.label)
        wanted -= litres
        if wanted <= 1e-9:
            return ", ".join(used)[:40]
    sentence = (
        f"{volumes.new_fluid_l:.2f} L went in but {wanted:.2f} L of {product.code} are not on the shelf by the books; "
        "book the goods in or correct the count first."
    )
    raise ConflictError(sentence, fields={"in_l": sentence})


def _take_waste(fitting: Fitting, job: Job, product: Product, volumes: Volumes) -> None:
    """Add what came out to the tank of its stream; a stream without a tank is nobody's number and stays out."""
    depot = fitting.vehicle.depot
    tank = (
        WasteTank.objects.filter(depot__in=[depot.pk, depot.stores_at_id], stream=product.waste_stream)
        .order_by(F("depot").desc() if depot.stores_at_id is None else "depot")
        .first()
    )
    if tank is None:
        return
    updated = WasteTank.objects.filter(pk=tank.pk, level_l__lte=F("capacity_l") - volumes.waste_l).update(
        level_l=F("level_l") + volumes.waste_l
    )
    if not updated:
        raise ConflictError(
            f"The {tank.stream} tank holds {tank.level_l:.0f} of {tank.capacity_l:.0f} L and cannot take "
            f"{volumes.waste_l:.1f} L more; have it collected and book the collection first."
        )
    WasteMovement.objects.create(tank=tank, litres=volumes.waste_l, job=job, moved_at=clock.now())


def _note(person: Person, job: Job, last: LastService, before: Ages, after: Ages) -> None:
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
