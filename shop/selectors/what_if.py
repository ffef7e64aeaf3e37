"""A year of jobs, litres and cost of one unit model, as its rule stands and under another. Nothing is stored."""

import copy
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from django.db.models import Exists, OuterRef, QuerySet

from intervals.due import STATES
from intervals.exchange.catalogue import MethodCosts, WorkHours, job_cost
from intervals.rules import POLICIES, add_months
from shop import clock
from shop.errors import InputError
from shop.models import Depot, Fitting, Person, RuleVersion, UnitModel
from shop.selectors.access import depots_of
from shop.selectors.bench_packs import fluid_price_per_l, packs_of
from shop.selectors.bench_request import Rates
from shop.selectors.card_plans import CardPlans
from shop.selectors.column_reading import in_parts, keys_of
from shop.selectors.core_inputs import CoreInputs, gather, inputs_with
from shop.selectors.exchange import UnitPlan
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.line_clocks import LineArrays
from shop.selectors.line_columns import recorded_lines
from shop.selectors.lines_ahead import LinesAhead, ahead_of_columns, ahead_of_objects

FloatArray = npt.NDArray[np.float64]

MONTHS = 12
FLUID = "fluid"
RANGES = {
    "interval_km": (0.0, 2_000_000.0),
    "interval_h": (0.0, 100_000.0),
    "interval_months": (0.0, 240.0),
    "opens_share": (0.0, 0.99),
    "closes_share": (0.0, 1.0),
    "assumed_freshness_share": (0.05, 1.0),
    "cap_share": (0.05, 2.0),
    "severity_factor": (0.1, 10.0),
}
"""What may be asked, by field; an interval of 0 drops that clock."""
CLOCK_FIELDS = ("interval_km", "interval_h", "interval_months")


@dataclass(frozen=True, slots=True)
class RuleAsked:
    """The figures to try; None leaves a figure as it is, an interval of 0 drops that clock.

    severity_factor: laid over the factors each unit has already.
    """

    interval_km: float | None = None
    interval_h: float | None = None
    interval_months: int | None = None
    opens_share: float | None = None
    closes_share: float | None = None
    assumed_freshness_share: float | None = None
    cap_share: float | None = None
    policy: str | None = None
    severity_factor: float | None = None

    def changes(self) -> dict[str, float | str]:
        """Return the figures that were given."""
        given = {own.name: getattr(self, own.name) for own in fields(self)}
        return {name: value for name, value in given.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Sum:
    """Jobs, litres of product and cost of a month or a year."""

    jobs: int = 0
    litres: float = 0.0
    cost: float = 0.0


@dataclass(frozen=True, slots=True)
class Month:
    """One month of the year ahead; both days belong to it."""

    begins_on: date
    ends_on: date
    before: Sum
    after: Sum


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What a changed rule would do to the units of one model.

    states: state → lines standing there today, before and after. unplanned: units whose litres and cost cannot be
    said and are left out of those sums. unknown_before, unknown_after: lines of which no job can be said.
    """

    model: UnitModel
    depots: list[Depot]
    as_of: date
    rules: list[RuleVersion]
    units: int
    months: tuple[Month, ...]
    before: Sum
    after: Sum
    states: dict[str, tuple[int, int]]
    unknown_before: int
    unknown_after: int
    unplanned: int
    price_per_l: float
    labour_per_h: float
    currency: str
    sentence: str


def models_to_ask(person: Person) -> list[UnitModel]:
    """Return the unit models fitted in the person's depots that have a rule for their fluid."""
    fitted = Fitting.objects.filter(
        removed_on__isnull=True, vehicle__depot__in=depots_of(person), unit__unit_model=OuterRef("pk")
    )
    own = UnitModel.objects.filter(Exists(fitted), rules__subject=FLUID)
    return list(own.distinct().order_by("code"))


def what_if(person: Person, model_code: str, asked: RuleAsked) -> WhatIf:
    """Work out a year of one unit model's fluid services before and after a change of its rule.

    Raises:
        InputError: no such unit model, or a figure that cannot be used, with its field.
    """
    check_asked(asked)
    model = next((own for own in models_to_ask(person) if own.code == model_code), None)
    if model is None:
        text = (
            f"There is no unit model “{model_code}” with a fluid rule in your depots; choose one of the list."
        )
        raise InputError(text, fields={"unit_model": text})
    depots = list(depots_of(person))
    as_of = min(clock.today(depot.time_zone) for depot in depots)
    fittings = Fitting.objects.filter(vehicle__depot__in=depots, unit__unit_model=model)
    price_per_l = fluid_price_per_l(None, packs_of(model.product))
    jobs_of = _JobsOf(model, fittings, price_per_l)
    bounds = [add_months(as_of, step) for step in range(MONTHS + 1)]
    before, after = _Year(bounds, jobs_of), _Year(bounds, jobs_of)
    versions: dict[int, RuleVersion] = {}
    for unit_pks in in_parts(jobs_of.unit_pks):
        versions |= _add(as_of, unit_pks, asked, before, after)
    months = tuple(
        Month(bounds[step], bounds[step + 1] - timedelta(days=1), before.month(step), after.month(step))
        for step in range(MONTHS)
    )
    currencies = {depot.currency for depot in depots}
    currency = currencies.pop() if len(currencies) == 1 else ""
    return WhatIf(
        model, depots, as_of, sorted(versions.values(), key=lambda version: version.rule.vehicle_kind),
        before.units, months, before.total, after.total,
        {state: (int(before.states[place]), int(after.states[place])) for place, state in enumerate(STATES)},
        before.unknown, after.unknown, before.unplanned, price_per_l, Rates().labour_per_h, currency,
        _difference(model.code, before.total, after.total, currency),
    )  # fmt: skip


def check_asked(asked: RuleAsked) -> None:
    """Refuse figures out of their range, each with its field."""
    wrong: dict[str, str] = {}
    for name, value in asked.changes().items():
        if name == "policy":
            if value not in POLICIES:
                wrong[name] = f"“{value}” is no policy; choose one of {', '.join(POLICIES)}."
            continue
        low, high = RANGES[name]
        if not low <= float(value) <= high:
            wrong[name] = f"{float(value):g} cannot be used; write {low:g} to {high:g}."
    if wrong:
        raise InputError(next(iter(wrong.values())), fields=wrong)


def _tried(version: RuleVersion, asked: RuleAsked) -> RuleVersion:
    """Return a copy of a rule version with the figures to try; it is never saved."""
    tried = copy.copy(version)
    for name, value in asked.changes().items():
        if name != "severity_factor":
            setattr(tried, name, None if name in CLOCK_FIELDS and value == 0 else value)
    if all(getattr(tried, name) is None for name in CLOCK_FIELDS):
        text = "This would leave the rule without a clock; keep kilometres, hours or months above 0."
        raise InputError(text, fields={name: text for name in CLOCK_FIELDS if getattr(asked, name) == 0})
    return tried


class _JobsOf:
    """What one job of each unit comes to. unit_pks: keys of the units fitted now."""

    def __init__(self, model: UnitModel, fittings: QuerySet[Fitting], price_per_l: float) -> None:
        fitted = fittings.filter(removed_on__isnull=True).values_list("unit", flat=True)
        self.unit_pks = np.unique(keys_of(fitted))
        self._cards = CardPlans(self.unit_pks, np.full(len(self.unit_pks), float(model.pk)))
        sums = [_job_sum(plan, model, price_per_l) for plan in self._cards.plans]
        self._shares = np.array([share_of(plan) for plan in self._cards.plans])
        self._is_planned = np.array([own is not None for own in sums])
        self._litres = np.array([own.litres if own else 0.0 for own in sums])
        self._cost = np.array([own.cost if own else 0.0 for own in sums])

    def of_units(self, unit_pks: FloatArray) -> "_Job":
        """Return one job of each unit, in columns."""
        at = self._cards.places_of(unit_pks)
        return _Job(self._shares[at], self._is_planned[at], self._litres[at], self._cost[at])


class _Job(NamedTuple):
    """One job of each of n units; litres and cost are 0 where there is no plan."""

    shares: FloatArray
    is_planned: npt.NDArray[np.bool_]
    litres: FloatArray
    cost: FloatArray


class _Year:
    """The sums of a year under one rule. unknown: lines of which no job can be said."""

    def __init__(self, bounds: Sequence[date], jobs_of: _JobsOf) -> None:
        self._ends = [(bound - bounds[0]).days for bound in bounds[1:]]
        self._jobs_of = jobs_of
        self._sums = np.zeros((len(self._ends), 3))
        self.states = np.zeros(len(STATES), dtype=np.int64)
        self.units = self.unplanned = self.unknown = 0

    def add(self, as_of: date, lines: LineArrays, ahead: LinesAhead) -> None:
        """Add lines of units that are not in yet."""
        job = self._jobs_of.of_units(ahead.unit)
        _, first = np.unique(ahead.unit, return_index=True)
        self.units += len(first)
        self.unplanned += int((~job.is_planned[first]).sum())
        self.states += np.bincount(lines.due(as_of, has_range=False).state, minlength=len(STATES))
        found = ahead.jobs(job.shares, self._ends[-1] - 1)
        self.unknown += int((~found.is_known).sum())
        month = np.searchsorted(self._ends, found.days, side="right")
        for column, weights in enumerate((None, job.litres[found.lines], job.cost[found.lines])):
            self._sums[:, column] += np.bincount(month, weights, minlength=len(self._ends))

    def month(self, step: int) -> Sum:
        """Return the sums of one month."""
        jobs, litres, cost = self._sums[step].tolist()
        return Sum(int(jobs), litres, cost)

    @property
    def total(self) -> Sum:
        """The sums of all months."""
        jobs, litres, cost = self._sums.sum(axis=0).tolist()
        return Sum(int(jobs), litres, cost)


def _add(
    as_of: date, unit_pks: FloatArray, asked: RuleAsked, before: _Year, after: _Year
) -> dict[int, RuleVersion]:
    """Add units under their rules as they stand and as tried, and return the versions that stand, by key."""
    factor = 1.0 if asked.severity_factor is None else asked.severity_factor
    recorded = recorded_lines(as_of, unit_pks, FLUID)
    tried = [_tried(version, asked) for version in recorded.versions]
    for year, versions, severity in ((before, recorded.versions, 1.0), (after, tried, factor)):
        lines = recorded.under(versions, severity)
        year.add(as_of, lines, ahead_of_columns(recorded, versions, lines))
    stand = [recorded.versions[row] for row in np.unique(recorded.version_rows)]
    if len(recorded.others):
        pks = [int(pk) for pk in recorded.others]
        everything = gather(as_of, Fitting.objects.filter(unit__in=pks))
        fluid = [row for row, line in enumerate(everything.lines) if line.rule.subject == FLUID]
        as_it_is = _rows(everything, fluid)
        changed = [
            replace(line, version=_tried(line.version, asked), severity=line.severity * factor)
            for line in as_it_is.lines
        ]
        for year, inputs in ((before, as_it_is), (after, inputs_with(as_it_is, changed))):
            year.add(as_of, inputs, ahead_of_objects(inputs))
        stand += [line.version for line in as_it_is.lines]
    return {version.pk: version for version in stand}


def _rows(inputs: CoreInputs, rows: list[int]) -> CoreInputs:
    """Return the inputs of some of the lines."""
    usages = [
        type(usage)(*(getattr(usage, name)[rows] for name in usage.__slots__))
        for usage in (inputs.distance_usage, inputs.hours_usage)
    ]
    kept = replace(
        inputs,
        distance_usage=usages[0],
        hours_usage=usages[1],
        distance_wear=inputs.distance_wear.take(rows),
        hours_wear=inputs.hours_wear.take(rows),
    )
    return inputs_with(kept, [inputs.lines[row] for row in rows])


def share_of(plan: UnitPlan) -> float:
    """Return the fresh share each job will give: that of the plan, else the one asked for."""
    share = plan.best.fresh_share if plan.best is not None else None
    return plan.target_share if share is None else share


def _job_sum(plan: UnitPlan, model: UnitModel, price_per_l: float) -> Sum | None:
    """Return one job's litres and cost; None when the unit has no plan."""
    best = plan.best
    if best is None or best.total_to_reserve_l is None or best.hands_on_h is None:
        return None
    litres = best.total_to_reserve_l * part_of_product(model.product, plan.figures)
    costs = MethodCosts(Rates().labour_per_h, price_per_l, off_road_rate_h=0.0, limit_km=Rates().limit_km)
    return Sum(1, litres, job_cost(costs, WorkHours(best.hands_on_h, best.off_road_h or 0.0), litres))


def _difference(code: str, before: Sum, after: Sum, currency: str) -> str:
    """Say in one sentence what the change does to a year."""
    jobs, litres, cost = after.jobs - before.jobs, after.litres - before.litres, after.cost - before.cost
    if jobs == 0:
        return f"{code}: the same number of jobs within a year, {before.jobs}."
    word = "more" if jobs > 0 else "fewer"
    part = f" ({abs(jobs) / before.jobs:.0%})" if before.jobs else ""
    told = f"{code}: {abs(jobs)} {word} job{'s' if abs(jobs) != 1 else ''}{part} within a year"
    if cost == 0:
        return f"{told}; litres and cost cannot be said."
    money = f"{abs(cost):,.0f}".replace(",", "\u202f")
    priced = f"{money} {currency}".strip()
    return f"{told}, {abs(litres):.0f} L and {priced} {'more' if cost > 0 else 'less'}."
