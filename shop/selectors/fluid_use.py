"""What each unit takes of its fluid in a year, what is in it, and when its next job comes."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal

from shop import clock
from shop.errors import InputError
from shop.models import CardFigure, Depot, DueLine, Fitting, LastService, Pack, Person, Product, Unit, Vehicle
from shop.planning.pack_costs import MONTHS_A_YEAR
from shop.selectors.access import depots_of
from shop.selectors.bench_packs import USUAL_PACK_L
from shop.selectors.due import AFTER_SEASON, LEAVING, ON_HOLD
from shop.selectors.exchange import plans_for_units
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.needs import booked_days
from shop.selectors.seasons import season_ends_on

DAYS_A_YEAR = 365.25
FLUID = "fluid"


@dataclass(frozen=True, slots=True)
class UnitUse:
    """One unit's use of fluid.

    in_it: the product in it by the last service, else that its model is filled with; is_in_it_noted says which.
    fill_l: litres a job takes, water of a coolant included; None when no plan can be made. fills_per_year: at the
    present use, None when that cannot be said. next_on: the day of its next job, None when not known, on hold, or its
    vehicle leaves before. from_on: the first day that job may be done, when its window opens. leaves_on: the day its
    vehicle leaves.
    """

    unit: Unit
    vehicle_number: str
    depot: Depot
    in_it: Product | None
    is_in_it_noted: bool
    fill_l: float | None
    total_fill_l: float | None
    fills_per_year: float | None
    next_on: date | None
    from_on: date | None
    leaves_on: date | None
    figures: tuple[CardFigure, ...]
    top_ups_l_per_year: float = 0.0

    def job_l(self, product: Product) -> float | None:
        """Return the litres of a product one job takes."""
        return None if self.fill_l is None else self.fill_l * part_of_product(product, self.figures)

    def year_l(self, product: Product) -> float | None:
        """Return the litres of a product a year of services and top-ups takes; None when it cannot be said."""
        litres = self.job_l(product)
        if litres is None or self.fills_per_year is None:
            return None
        return litres * self.fills_per_year + self.top_ups_l_per_year


def scope_of(person: Person) -> tuple[list[Depot], date, str]:
    """Return a person's depots, the earliest today among them, and their currency, empty where they differ.

    Raises InputError for a person without a depot.
    """
    depots = list(depots_of(person).select_related("stores_at").order_by("code"))
    if not depots:
        raise InputError(
            "You belong to no depot yet, so there is no fleet to look at; ask the foreman for one."
        )
    currencies = {depot.currency for depot in depots}
    return depots, min(clock.today(depot.time_zone) for depot in depots), (
        currencies.pop() if len(currencies) == 1 else ""
    )  # fmt: skip


def uses_of(depots: Collection[Depot], as_of: date, product: Product) -> list[UnitUse]:
    """Return every unit fitted in the depots whose model is filled with a product.

    Top-ups are noted for a product as a whole; each of its units gets its part by litres a year.
    """
    fittings = (
        Fitting.objects.filter(
            removed_on__isnull=True,
            vehicle__depot__in=[depot.pk for depot in depots],
            unit__unit_model__product=product,
        )
        .select_related("unit__unit_model__product", "vehicle__depot__stores_at", "vehicle__season")
        .order_by("unit__code")
    )
    rows = list(fittings)
    unit_pks = [row.unit_id for row in rows]
    lines = {line.unit_id: line for line in DueLine.objects.filter(unit__in=unit_pks, rule__subject=FLUID)}
    last = {
        own.unit_id: own.product
        for own in LastService.objects.filter(unit__in=unit_pks, subject=FLUID).select_related("product")
    }
    plans = plans_for_units([row.unit for row in rows], has_parts=False)
    booked = booked_days(as_of, [depot.pk for depot in depots])
    uses = []
    for row in rows:
        plan, line, noted = plans[row.unit_id], lines.get(row.unit_id), last.get(row.unit_id)
        next_on = _next_on(line, booked.get(row.unit_id), row.vehicle, as_of)
        cycle_days = line.cycle_days if line else None
        uses.append(
            UnitUse(
                row.unit,
                row.vehicle.number,
                row.vehicle.depot,
                noted or row.unit.unit_model.product,
                noted is not None,
                plan.best.total_to_reserve_l if plan.best else None,
                plan.card.total_fill_l if plan.card else None,
                DAYS_A_YEAR / cycle_days if cycle_days else None,
                next_on,
                _from_on(line, next_on, row.vehicle, as_of, is_booked=row.unit_id in booked),
                row.vehicle.leaves_on,
                tuple(plan.figures),
            )
        )
    return _with_top_ups(uses, product)


def _next_on(line: DueLine | None, booked_for: date | None, vehicle: Vehicle, as_of: date) -> date | None:
    """Return the day of a unit's next job: booked, else due, never before today nor within its no-touch season."""
    if booked_for is not None:
        return booked_for
    if line is None or line.due_on is None or {LEAVING, ON_HOLD} & set(line.overlays):
        return None
    day = max(line.due_on, as_of)
    if AFTER_SEASON in line.overlays and vehicle.season is not None:
        day = max(day, season_ends_on(vehicle.season, as_of) + timedelta(days=1))
    return None if vehicle.leaves_on is not None and vehicle.leaves_on < day else day


def _from_on(
    line: DueLine | None, next_on: date | None, vehicle: Vehicle, as_of: date, *, is_booked: bool
) -> date | None:
    """Return the first day a job may be done: when its window is open and a spare vehicle can stand in.

    A booked day stays, and one kept back by its season.
    """
    if next_on is None or line is None or is_booked or line.opens_on is None or AFTER_SEASON in line.overlays:
        return next_on
    first = max(day for day in (as_of, line.opens_on, vehicle.spare_from) if day is not None)
    return min(first, next_on)


def _with_top_ups(uses: list[UnitUse], product: Product) -> list[UnitUse]:
    known = [use.year_l(product) or 0.0 for use in uses]
    total = sum(known)
    if total <= 0:
        return uses
    a_year = product.top_ups_l_per_month * MONTHS_A_YEAR
    return [
        replace(use, top_ups_l_per_year=a_year * litres / total)
        for use, litres in zip(uses, known, strict=True)
    ]


def usual_packs() -> dict[int, Pack]:
    """Return product → the priced pack of 20 L or nearest to it, the cheapest of its size."""
    found: dict[int, Pack] = {}
    for pack in Pack.objects.filter(price__gt=0).select_related("supplier"):
        best = found.get(pack.product_id)
        if best is None or _unusual(pack) < _unusual(best):
            found[pack.product_id] = pack
    return found


def _unusual(pack: Pack) -> tuple[float, Decimal]:
    return (abs(pack.size_l - USUAL_PACK_L), pack.price)
