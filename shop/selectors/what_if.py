"""A year of jobs, litres and cost of one unit model, as its rule stands and under another. Nothing is stored."""

import copy
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta

import numpy as np

from intervals.due import STATES
from intervals.exchange.catalogue import MethodCosts, WorkHours, job_cost
from intervals.rules import POLICIES, add_months
from intervals.year_ahead import AheadClocks, jobs_ahead, mean_rate, run_today
from shop import clock
from shop.errors import InputError
from shop.models import Depot, Fitting, Person, RuleVersion, UnitModel
from shop.selectors.access import depots_of, units_of
from shop.selectors.bench_packs import fluid_price_per_l, packs_of
from shop.selectors.bench_request import Rates
from shop.selectors.core_inputs import CoreInputs, Line, gather, inputs_with
from shop.selectors.exchange import UnitPlan, plans_for_units
from shop.selectors.fluid_checks import part_of_product

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
    own = UnitModel.objects.filter(pk__in=units_of(person).values("unit_model"), rules__subject=FLUID)
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
    everything = gather(as_of, fittings)
    fluid = [row for row, line in enumerate(everything.lines) if line.rule.subject == FLUID]
    before = _rows(everything, fluid)
    after = inputs_with(before, [_changed(line, asked) for line in before.lines])
    plans = plans_for_units([line.fitting.unit for line in before.lines], has_parts=False)
    price_per_l = fluid_price_per_l(None, packs_of(model.product))
    per_job = {pk: _job_sum(plan, model, price_per_l) for pk, plan in plans.items()}
    bounds = [add_months(as_of, step) for step in range(MONTHS + 1)]
    year_before, unknown_before = _year(before, plans, per_job, bounds)
    year_after, unknown_after = _year(after, plans, per_job, bounds)
    months = tuple(
        Month(bounds[step], bounds[step + 1] - timedelta(days=1), year_before[step], year_after[step])
        for step in range(MONTHS)
    )
    totals = [_total(year) for year in (year_before, year_after)]
    currencies = {depot.currency for depot in depots}
    currency = currencies.pop() if len(currencies) == 1 else ""
    return WhatIf(
        model, depots, as_of, _versions(before), len(plans), months, totals[0], totals[1],
        _states(before, after), unknown_before, unknown_after,
        sum(1 for own in per_job.values() if own is None), price_per_l, Rates().labour_per_h, currency,
        _difference(model.code, totals[0], totals[1], currency),
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


def _changed(line: Line, asked: RuleAsked) -> Line:
    """Return a line under a copy of its rule version; the copy is never saved."""
    version = copy.copy(line.version)
    changes = asked.changes()
    factor = float(changes.pop("severity_factor", 1.0))
    for name, value in changes.items():
        setattr(version, name, None if name in CLOCK_FIELDS and value == 0 else value)
    if all(getattr(version, name) is None for name in CLOCK_FIELDS):
        text = "This would leave the rule without a clock; keep kilometres, hours or months above 0."
        raise InputError(text, fields={name: text for name in CLOCK_FIELDS if getattr(asked, name) == 0})
    return replace(line, version=version, severity=line.severity * factor)


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


def _year(
    inputs: CoreInputs, plans: Mapping[int, UnitPlan], per_job: Mapping[int, Sum | None], bounds: list[date]
) -> tuple[list[Sum], int]:
    """Return the sums of each month and how many lines cannot be said."""
    lines = inputs.lines
    last = (bounds[-1] - bounds[0]).days - 1
    leaves = [line.fitting.vehicle.leaves_on for line in lines]
    until = [min(last, (day - inputs.as_of).days) if day else last for day in leaves]
    shares = [share_of(plans[line.fitting.unit_id]) for line in lines]
    found = jobs_ahead(
        ahead_clocks(inputs),
        np.array(shares, dtype=np.float64),
        np.array([line.version.assumed_freshness_share for line in lines], dtype=np.float64),
        np.array([line.version.cap_share for line in lines], dtype=np.float64),
        np.array([line.version.policy for line in lines], dtype=np.str_),
        np.array(until, dtype=np.int64),
    )
    ends = [(bound - bounds[0]).days for bound in bounds[1:]]
    sums = [Sum() for _ in ends]
    for row, day in zip(found.lines.tolist(), found.days.tolist(), strict=True):
        month = next(step for step, end in enumerate(ends) if day < end)
        own = per_job[lines[row].fitting.unit_id] or Sum(jobs=1)
        sums[month] = _added(sums[month], own)
    return sums, int((~found.is_known).sum())


def ahead_clocks(inputs: CoreInputs) -> AheadClocks:
    """Lay the three clocks of each line side by side, each at the mean use of the year ahead."""
    last = [line.last for line in inputs.lines]
    ages = [[np.nan if own is None or own.age_km is None else own.age_km for own in last],
            [np.nan if own is None or own.age_days is None else own.age_days for own in last],
            [np.nan if own is None or own.age_h is None else own.age_h for own in last]]  # fmt: skip
    calendar = np.ones(len(last))
    return AheadClocks(
        run=np.stack([run_today(inputs.distance), inputs.time.since_days, run_today(inputs.hours)], axis=1),
        next_run=np.stack([inputs.distance.next_run, inputs.time.next_days, inputs.hours.next_run], axis=1),
        interval=np.stack(
            [inputs.distance.interval, inputs.time.interval_days, inputs.hours.interval], axis=1
        ),
        rate_per_day=np.stack([mean_rate(inputs.distance), calendar, mean_rate(inputs.hours)], axis=1),
        age=np.array(ages, dtype=np.float64).T.reshape(len(last), 3),
    )


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


def _added(one: Sum, other: Sum) -> Sum:
    return Sum(one.jobs + other.jobs, one.litres + other.litres, one.cost + other.cost)


def _total(year: list[Sum]) -> Sum:
    total = Sum()
    for month in year:
        total = _added(total, month)
    return total


def _states(before: CoreInputs, after: CoreInputs) -> dict[str, tuple[int, int]]:
    """Return where the lines stand today, before and after: the window widths show here."""
    counts = []
    for own in (before, after):
        found = own.due(own.as_of)
        counts.append(Counter(found.state.tolist()))
    return {state: (counts[0][place], counts[1][place]) for place, state in enumerate(STATES)}


def _versions(inputs: CoreInputs) -> list[RuleVersion]:
    """Return the rule versions in force on the lines, the general one first."""
    own = {line.version.pk: line.version for line in inputs.lines}
    return sorted(own.values(), key=lambda version: version.rule.vehicle_kind)


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
