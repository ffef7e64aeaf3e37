"""One unit or one vehicle with all that is known about it."""

from dataclasses import dataclass, field

from django.db.models import QuerySet

from intervals.errors import HatchmarkError
from intervals.exchange.card import stage_seconds
from intervals.exchange.model import COOLER_LINE, simulate
from shop import clock
from shop.models import (
    DueLine,
    Fitting,
    Job,
    LastService,
    Meter,
    Person,
    Reading,
    Reservation,
    StateChange,
    Unit,
    Vehicle,
)
from shop.selectors.access import due_lines_of, jobs_of, readings_of, units_of, vehicles_of
from shop.selectors.due_today import explained
from shop.selectors.exchange import UnitPlan, plan_for_unit, plans_for_units
from shop.selectors.fluid_checks import BrakeCheck, CoolantAsked, CoolantSum, brake_check, coolant_sum
from shop.selectors.fluids import ProductFigure, product_figures
from shop.selectors.holds import HoldFact, holds_on
from shop.selectors.job_litres import JobShare, shares_of_jobs
from shop.selectors.may_go_in import FluidRules

ACTIVE = [Job.State.BOOKED, Job.State.IN_BAY, *Job.MUST_NOT_MOVE, Job.State.FILLED, Job.State.LEVEL_PROVED]
HISTORY_ROWS = 20
READING_ROWS = 12


@dataclass(frozen=True, slots=True)
class StageRow:
    """One engine run with the hose off; None where the unit card cannot say."""

    litres: float
    seconds: float | None
    sump_after_l: float | None
    out_total_l: float


@dataclass(frozen=True, slots=True)
class UnitPage:
    """Everything known about one unit, in the order the page shows it.

    reservations: what is promised to its next job, and why it must not go into it; empty when it may.
    rinse: why the house fluid must not go on top of what is in it; empty when it may.
    """

    unit: Unit
    fitting: Fitting
    lines: list[DueLine]
    last_services: list[LastService]
    plan: UnitPlan
    stages: tuple[StageRow, ...]
    jobs: list[Job]
    changes: list[StateChange]
    readings: list[Reading]
    reservations: list[tuple[Reservation, str]]
    holds: list[HoldFact]
    rinse: str = ""
    meter_kinds: tuple[str, ...] = ()
    job_shares: dict[int, JobShare] = field(default_factory=dict)
    product_figures: tuple[ProductFigure, ...] = ()
    coolant: CoolantSum | None = None
    brakes: BrakeCheck | None = None

    @property
    def booked_method(self) -> str:
        """The method the unit's open or booked job was planned with; empty when there is none."""
        methods = (job.method for job in self.jobs if job.done_on is None and job.state in ACTIVE)
        return next((method for method in methods if method), "")

    @property
    def vehicle(self) -> Vehicle:
        """The vehicle the unit is fitted to now."""
        return self.fitting.vehicle


@dataclass(frozen=True, slots=True)
class MeterNow:
    """A meter with its latest accepted reading."""

    meter: Meter
    latest: Reading | None


@dataclass(frozen=True, slots=True)
class VehiclePage:
    """A vehicle, its units with their lines, its meters."""

    vehicle: Vehicle
    lines: list[DueLine]
    without_rule: list[Unit]
    meters: list[MeterNow]
    holds: list[HoldFact]
    readings: list[Reading]
    plans: dict[int, UnitPlan]


def unit_find(person: Person, code: str) -> Unit | None:
    """Return a unit the person may see, or None."""
    return units_of(person).select_related("unit_model__product").filter(code=code).first()


def unit_page(person: Person, code: str, asked: CoolantAsked | None = None) -> UnitPage | None:
    """Gather a unit's page; None when the person may not see it or it does not exist.

    asked: figures typed for the strength sum of a cooling system.
    """
    unit = unit_find(person, code)
    if unit is None:
        return None
    fitting = Fitting.objects.select_related("vehicle__depot").get(unit=unit, removed_on__isnull=True)
    plan = plan_for_unit(unit)
    lines = due_lines_of(person).filter(unit=unit).order_by("rule__subject", "pk")
    jobs = list(
        jobs_of(person)
        .filter(unit=unit)
        .select_related("product", "unit__unit_model__product")[:HISTORY_ROWS]
    )
    product, rules = unit.unit_model.product, FluidRules.read()
    return UnitPage(
        unit=unit,
        fitting=fitting,
        lines=explained(lines),
        last_services=list(unit.last_services.select_related("product").order_by("subject")),
        plan=plan,
        stages=stages_of(plan),
        jobs=jobs,
        changes=list(
            StateChange.objects.filter(unit=unit)
            .select_related("rule")
            .order_by("-day", "-pk")[:HISTORY_ROWS]
        ),
        readings=_readings(person, fitting.vehicle),
        reservations=[
            (own, rules.why_not(own.product, unit.unit_model))
            for own in unit.reservations.filter(is_open=True).select_related("product")
        ],
        holds=_holds(fitting.vehicle, unit.pk),
        meter_kinds=_meters_of_jobs(fitting, unit),
        rinse=rules.why_rinse_unit(unit),
        job_shares=shares_of_jobs(jobs),
        product_figures=() if product is None else product_figures(product),
        coolant=coolant_sum(plan, jobs, asked),
        brakes=brake_check(plan, jobs),
    )


def _meters_of_jobs(fitting: Fitting, unit: Unit) -> tuple[str, ...]:
    """Return the kinds of meters read at a unit's jobs: the odometer first, then the one that counts its hours."""
    held = set(fitting.vehicle.meters.values_list("kind", flat=True))
    return tuple(kind for kind in (Meter.Kind.ODOMETER, unit.unit_model.hours_meter) if kind in held)


def _holds(vehicle: Vehicle, unit_pk: int | None = None) -> list[HoldFact]:
    """Return what holds back work on a vehicle today; with a unit, only what reaches that unit."""
    found = holds_on(clock.today(vehicle.depot.time_zone), [vehicle.pk]).get(vehicle.pk, [])
    return [hold for hold in found if unit_pk is None or hold.unit_pk in (None, unit_pk)]


def stages_of(plan: UnitPlan) -> tuple[StageRow, ...]:
    """Return the engine runs of a plan with what each leaves in the sump.

    Only the cooler-line exchange has stages; a card without all parts gives litres and seconds only.
    """
    card, best = plan.card, plan.best
    if card is None or best is None or best.method != COOLER_LINE or not best.stages:
        return ()
    if card.has_compartments:
        try:
            run = simulate(card, best.method, best.new_fluid_l, best.stages[0], start=best.start)
        except HatchmarkError:
            run = None
        if run is not None and run.is_allowed and run.stages:
            return tuple(
                StageRow(stage.litres, stage.seconds, stage.sump_after_l, stage.out_total_l)
                for stage in run.stages
            )
    rows, out_l = [], best.drained_l or 0.0
    for litres in best.stages:
        out_l += litres
        rows.append(StageRow(litres, stage_seconds(card, litres), None, out_l))
    return tuple(rows)


def vehicle_find(person: Person, number: str) -> Vehicle | None:
    """Return a vehicle the person may see, or None."""
    return vehicles_of(person).filter(number__iexact=number).first()


def vehicle_page(person: Person, number: str) -> VehiclePage | None:
    """Gather a vehicle's page; None when the person may not see it or it does not exist."""
    vehicle = vehicles_of(person).filter(number=number).first()
    if vehicle is None:
        return None
    own = due_lines_of(person).filter(vehicle=vehicle).order_by("unit__code", "rule__subject")
    lines = explained(own)
    fitted = units_of(person).filter(fittings__vehicle=vehicle, fittings__removed_on__isnull=True)
    return VehiclePage(
        vehicle=vehicle,
        lines=lines,
        without_rule=list(fitted.exclude(pk__in=[line.unit_id for line in lines])),
        meters=[MeterNow(meter, _latest(meter)) for meter in vehicle.meters.all()],
        holds=_holds(vehicle),
        readings=_readings(person, vehicle),
        plans=plans_for_units([line.unit for line in lines], has_parts=False),
    )


def asked_readings(person: Person) -> QuerySet[Reading]:
    """Return the readings that were set aside and wait for somebody's answer."""
    return (
        readings_of(person)
        .filter(status=Reading.Status.ASKED)
        .order_by("meter__vehicle__number", "read_at", "pk")
    )


def reading_find(person: Person, pk: int) -> Reading | None:
    """Return a reading the person may see, or None."""
    return readings_of(person).filter(pk=pk).first()


def meters_of_vehicle(person: Person, number: str) -> list[Meter]:
    """Return the meters of a vehicle the person may see; an unknown number gives none."""
    vehicle = vehicles_of(person).filter(number__iexact=number.strip()).first()
    return list(vehicle.meters.select_related("vehicle__depot")) if vehicle is not None else []


def _readings(person: Person, vehicle: Vehicle) -> list[Reading]:
    return list(readings_of(person).filter(meter__vehicle=vehicle).order_by("-read_at", "-pk")[:READING_ROWS])


def _latest(meter: Meter) -> Reading | None:
    return meter.readings.filter(status=Reading.Status.ACCEPTED).order_by("-read_at").first()
