"""Which jobs may take which fluid within an ordering horizon, how likely, and when."""

import zoneinfo
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
from django.db.models import Case, Exists, F, Min, OuterRef, Sum, When

from intervals.due import probability_due_by
from shop.models import CardFigure, DueLine, Fitting, IntervalRule, Job, Product, Unit, Vehicle
from shop.planning.demand import LITRES_SD_L, JobNeed
from shop.selectors.column_reading import in_parts, keys_of
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due import AFTER_SEASON, LEAVING, ON_HOLD
from shop.selectors.exchange import UnitPlan, plans_for_units
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.line_columns import gather_columns
from shop.selectors.seasons import season_ends_on

HOUSE_TURNS_UP_SHARE = 0.95
"""Share of bookings kept where a vehicle's own is not known. House default."""

BOOKABLE_AFTER_DAYS = 7
"""A job without a booking can be got into a bay a week from now at the earliest. House default."""

LEAST_CHANCE = 0.005
"""Jobs less likely than this within the horizon are left out of the sums."""

DAYS_A_MONTH = 365.25 / 12

IN_WINDOW = ("window open", "due", "late")


@dataclass(slots=True)
class FluidNeed:
    """What one product's units need: the jobs within the horizon, and the usual use.

    unit_codes: label of a job's unit → its code.
    usage_l_per_month: litres of services and top-ups in an average month at the present use.
    unplanned: units whose litres cannot be said, with the reason.
    """

    jobs: list[JobNeed] = field(default_factory=list)
    unit_codes: dict[str, str] = field(default_factory=dict)
    plans: list[UnitPlan] = field(default_factory=list)
    usage_l_per_month: float = 0.0
    unplanned: list[str] = field(default_factory=list)


def needs_of(as_of: date, depot_pks: Collection[int], horizon_days: dict[int, int]) -> dict[int, FluidNeed]:
    """Return product → what its units need.

    A vehicle that comes in is done in one visit: a unit whose window is open is as likely, and as early, as the
    likeliest of the same vehicle.

    depot_pks: depots served by one shelf. horizon_days: product → days of jobs an order placed today has to serve.
    """
    units = units_to_look_at(as_of, depot_pks, horizon_days)
    _, candidates = candidates_of(as_of, depot_pks, horizon_days, units)
    likeliest: dict[int, float] = defaultdict(float)
    earliest: dict[int, date] = {}
    for own in candidates:
        if own.is_in_window:
            vehicle_pk = own.vehicle.pk
            likeliest[vehicle_pk] = max(likeliest[vehicle_pk], own.chance_due)
            earliest[vehicle_pk] = min(earliest.get(vehicle_pk, own.needed_on), own.needed_on)
    needs: dict[int, FluidNeed] = defaultdict(FluidNeed)
    for product_pk, litres in usage_l_per_month(depot_pks).items():
        needs[product_pk].usage_l_per_month = litres
    for own in candidates:
        need = needs[own.product_pk]
        litres = own.litres
        chance = likeliest[own.vehicle.pk] if own.is_in_window else own.chance_due
        if own.is_put_off or not chance >= LEAST_CHANCE:
            continue
        if litres is None:
            need.unplanned.append(f"{own.label}: {own.plan.cannot_say}")
            continue
        need.plans.append(own.plan)
        need.unit_codes[own.label] = own.plan.unit.code
        needed_on = earliest[own.vehicle.pk] if own.is_in_window else own.needed_on
        need.jobs.append(_job(own, litres, chance, needed_on))
    return dict(needs)


def units_to_look_at(
    as_of: date, depot_pks: Collection[int], horizon_days: dict[int, int]
) -> npt.NDArray[np.int64]:
    """Return the units that may have a job within the horizon: of a large fleet few, the others cost no object.

    Taken are those likely enough to fall due, worked out in columns; those of which that cannot be said so; those in
    their window, as the vehicle may come for another; those booked or begun. depot_pks, horizon_days: as in `needs_of`.
    """
    fluid = IntervalRule.objects.filter(subject="fluid", unit_model__product__isnull=False)
    days_of_rule = {
        rule_pk: float(horizon_days.get(product_pk, 0))
        for rule_pk, product_pk in fluid.values_list("pk", "unit_model__product")
    }
    fitted = keys_of(Fitting.objects.filter(vehicle__depot__in=depot_pks).values_list("unit", flat=True))
    found = []
    for unit_pks in in_parts(fitted):
        lines = gather_columns(as_of, unit_pks)
        days = np.array([days_of_rule.get(int(rule), np.nan) for rule in lines.rule], dtype=np.float64)
        chances = probability_due_by(lines.distance, lines.hours, lines.time, np.nan_to_num(days))
        found += [lines.unit[(chances >= LEAST_CHANCE / 2) & np.isfinite(days)], lines.others]
    in_window = DueLine.objects.filter(vehicle__depot__in=depot_pks, state__in=IN_WINDOW)
    jobs = Job.objects.filter(vehicle__depot__in=depot_pks, state__in=[*Job.MUST_NOT_MOVE, Job.State.BOOKED])
    found += [keys_of(rows.values_list("unit", flat=True)) for rows in (in_window, jobs)]
    return np.unique(np.concatenate(found)).astype(np.int64)


def usage_l_per_month(depot_pks: Collection[int]) -> dict[int, float]:
    """Return product → litres of services and top-ups in an average month at the present use.

    Units of one model take the same litres, unless figures are noted for the unit itself.
    """
    usage = dict(Product.objects.filter(top_ups_l_per_month__gt=0).values_list("pk", "top_ups_l_per_month"))
    figures = CardFigure.objects.filter(unit=OuterRef("unit"))
    groups = list(
        DueLine.objects.filter(
            vehicle__depot__in=depot_pks, rule__subject="fluid", unit__unit_model__product__isnull=False,
            cycle_days__gt=0,
        )
        .order_by()
        .annotate(by_itself=Case(When(Exists(figures), then=F("unit"))))
        .values("unit__unit_model", "by_itself")
        .annotate(a_day=Sum(1.0 / F("cycle_days")), one=Min("unit"))
    )  # fmt: skip
    units = Unit.objects.select_related("unit_model__product").in_bulk([group["one"] for group in groups])
    plans = plans_for_units(list(units.values()), has_parts=False)
    for group in groups:
        product, plan = units[group["one"]].unit_model.product, plans[group["one"]]
        litres = litres_of(plan, part_of_product(product, plan.figures))
        if litres is not None:
            usage[product.pk] = usage.get(product.pk, 0.0) + litres * group["a_day"] * DAYS_A_MONTH
    return usage


@dataclass(frozen=True, slots=True)
class Candidate:
    """One unit that may take its product within the horizon.

    row: its place in the inputs. product_part: what of its litres is no water. put_off_until: first day after the
    season that keeps it away; None without.
    """

    row: int
    product_pk: int
    vehicle: Vehicle
    label: str
    plan: UnitPlan
    chance_due: float
    needed_on: date
    is_open: bool
    is_booked: bool
    is_in_window: bool
    is_put_off: bool
    put_off_until: date | None
    product_part: float

    @property
    def litres(self) -> float | None:
        """Litres of the product its plan asks to have; None when the plan cannot say."""
        return litres_of(self.plan, self.product_part)

    @property
    def litres_sd(self) -> float:
        """Their standard deviation."""
        return litres_sd_of(self.plan, self.product_part)

    @property
    def is_sure(self) -> bool:
        """Whether the job comes whatever its clocks say: it is begun or booked."""
        return self.is_open or self.is_booked

    @property
    def turns_up_share(self) -> float:
        """Share of bookings kept; work begun in the bay is kept surely."""
        return 1.0 if self.is_open else _or(self.vehicle.turns_up_share, HOUSE_TURNS_UP_SHARE)

    @property
    def passes_gate_share(self) -> float:
        """Chance to pass the stop gate."""
        return 1.0 if self.is_open else _or(self.vehicle.passes_gate_share, 1.0)


def candidates_of(
    as_of: date,
    depot_pks: Collection[int],
    horizon_days: dict[int, int],
    units: npt.NDArray[np.int64] | None = None,
) -> tuple[CoreInputs, list[Candidate]]:
    """Return the fitted units with a product, and the inputs their lines were worked out from.

    depot_pks, horizon_days: as in `needs_of`. units: only these; None for all.
    """
    fittings = Fitting.objects.filter(vehicle__depot__in=depot_pks)
    lines_there = DueLine.objects.filter(vehicle__depot__in=depot_pks)
    if units is not None:
        fittings, lines_there = (rows.filter(unit__in=units.tolist()) for rows in (fittings, lines_there))
    inputs = gather(as_of, fittings)
    rows = [
        (row, line, product_pk)
        for row, line in enumerate(inputs.lines)
        if line.rule.subject == "fluid"
        and (product_pk := line.fitting.unit.unit_model.product_id) is not None
    ]
    days = np.zeros(len(inputs.lines))
    for row, _, product_pk in rows:
        days[row] = horizon_days.get(product_pk, 0)
    chances = probability_due_by(inputs.distance, inputs.hours, inputs.time, days)
    due_lines = {(line.unit_id, line.rule_id): line for line in lines_there.select_related("vehicle__season")}
    booked = booked_days(as_of, depot_pks)
    units_open = set(
        Job.objects.filter(vehicle__depot__in=depot_pks, state__in=Job.MUST_NOT_MOVE).values_list(
            "unit", flat=True
        )
    )
    plans = plans_for_units([line.fitting.unit for _, line, _ in rows])
    products = Product.objects.in_bulk({product_pk for _, _, product_pk in rows})
    found = []
    for row, line, product_pk in rows:
        due_line = due_lines.get((line.fitting.unit_id, line.rule.pk))
        if due_line is None:
            continue
        is_open = line.fitting.unit_id in units_open
        booked_for = booked.get(line.fitting.unit_id)
        is_put_off = _is_put_off(due_line, as_of, float(days[row]))
        found.append(
            Candidate(
                row=row,
                product_pk=product_pk,
                vehicle=line.fitting.vehicle,
                label=f"{line.fitting.vehicle.number} {line.fitting.position}",
                plan=plans[line.fitting.unit_id],
                chance_due=1.0 if is_open or booked_for else float(np.nan_to_num(chances[row])),
                needed_on=_needed_on(as_of, due_line, booked_for, is_open=is_open),
                is_open=is_open,
                is_booked=booked_for is not None,
                is_in_window=due_line.state in IN_WINDOW and not is_put_off,
                is_put_off=is_put_off,
                put_off_until=_put_off_until(due_line, as_of),
                product_part=part_of_product(products[product_pk], plans[line.fitting.unit_id].figures),
            )
        )
    return inputs, found


def litres_of(plan: UnitPlan, product_part: float) -> float | None:
    """Return the litres of product a plan asks to have; None when it cannot say."""
    whole = plan.best.total_to_reserve_l if plan.best else None
    return None if whole is None else whole * product_part


def litres_sd_of(plan: UnitPlan, product_part: float) -> float:
    """Return their standard deviation."""
    return LITRES_SD_L if plan.spread is None else plan.spread.reserve_l.sd * product_part


def _job(own: Candidate, litres: float, chance_due: float, needed_on: date) -> JobNeed:
    return JobNeed(
        unit_label=own.label,
        job_label=own.plan.best.title if own.plan.best else "",
        litres=litres,
        p_due=chance_due,
        turns_up_share=own.turns_up_share,
        passes_gate_share=own.passes_gate_share,
        needed_on=needed_on,
        litres_sd=own.litres_sd,
    )


def _is_put_off(line: DueLine, as_of: date, horizon_days: float) -> bool:
    """Say whether the line's work will not be done within the horizon whatever its date."""
    if LEAVING in line.overlays or ON_HOLD in line.overlays:
        return True
    until = _put_off_until(line, as_of)
    return until is not None and (until - as_of).days > horizon_days


def _put_off_until(line: DueLine, as_of: date) -> date | None:
    season = line.vehicle.season
    if AFTER_SEASON not in line.overlays or season is None:
        return None
    return season_ends_on(season, as_of) + timedelta(days=1)


def _needed_on(as_of: date, line: DueLine, booked_for: date | None, *, is_open: bool) -> date:
    if is_open:
        return as_of
    if booked_for is not None:
        return max(booked_for, as_of)
    first = as_of + timedelta(days=BOOKABLE_AFTER_DAYS)
    spare_from = line.vehicle.spare_from
    return max(day for day in (first, line.book_by, spare_from) if day is not None)


def booked_days(as_of: date, depot_pks: Collection[int]) -> dict[int, date]:
    """Return unit → the local day its next fluid job is booked for, today or later."""
    jobs = (
        Job.objects.filter(
            vehicle__depot__in=depot_pks, state=Job.State.BOOKED, booked_for__isnull=False, subject="fluid"
        )
        .select_related("vehicle__depot")
        .order_by("-booked_for")
    )
    days = {
        job.unit_id: job.booked_for.astimezone(zoneinfo.ZoneInfo(job.vehicle.depot.time_zone)).date()
        for job in jobs
    }
    return {unit_pk: day for unit_pk, day in days.items() if day >= as_of}


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
