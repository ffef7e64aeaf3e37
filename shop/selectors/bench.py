"""The bench: everything the exchange model says about one unit card, one method and today's figures.

Nothing is stored. Each part of the answer says itself why it cannot be given.
"""

from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, check_card
from intervals.exchange.band import ShareBand, share_band
from intervals.exchange.card import StageLimit, compartments_of, stage_limit, stage_seconds, start_check
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED, MethodCosts
from intervals.exchange.methods import METHODS, ExchangePlans, MethodPlan, plan_exchange
from intervals.exchange.model import SLICE_L, cut_stages, simulate
from intervals.exchange.starts import COOLER_LINE, DRAIN, MACHINE, OVERNIGHT, START_OVERNIGHT
from shop.models import Person
from shop.selectors.bench_level import DrainShown, FirstPour, StickScale, drain_shown, first_pour, stick_scale
from shop.selectors.bench_request import BenchInput, BenchRefused, Fluid
from shop.selectors.exchange import FIGURE_FIELDS, HOUSE_TARGET_SHARE, TYPICAL_KINDS, figures_in_force
from shop.selectors.units import unit_find

GEARBOX_METHODS = (DRAIN, REPEATED, OVERNIGHT, COOLER_LINE, MACHINE)
CURVE_POINTS = 49
MOST_SLICES = 4000
WATERY = ("cooling", "brakes")
NOT_AN_OIL = (
    "Cannot say: this fluid is no oil, and the oil tables do not hold for it. Use its maker's own tables."
)


@dataclass(frozen=True, slots=True)
class MethodCurve:
    """One method's share against litres; a single drain is one point."""

    title: str
    is_chosen: bool
    band: ShareBand


@dataclass(frozen=True, slots=True)
class Chosen:
    """The method looked at in full. Not allowed: a reason and no figures."""

    title: str
    method: str
    start: str
    is_allowed: bool
    reason: str
    sentence: str
    cautions: tuple[str, ...]
    new_fluid_l: float | None = None
    drained_l: float | None = None
    pushed_l: float | None = None
    stage_l: float | None = None
    least_share: float | None = None
    low_share: float | None = None
    fresh_share: float | None = None
    most_share: float | None = None


@dataclass(frozen=True, slots=True)
class StageStep:
    """One engine run with the hose off, with what it leaves in the sump; None where the card cannot say."""

    litres: float
    seconds: float | None
    sump_after_l: float | None
    out_total_l: float


@dataclass(frozen=True, slots=True)
class StagePlan:
    """The stages, their limit, and the sump with the floor the pump needs."""

    cannot_say: str = ""
    limit: StageLimit | None = None
    sump_l: float | None = None
    pickup_l: float | None = None
    floor_l: float | None = None
    steps: tuple[StageStep, ...] = ()
    start_ok: bool | None = None
    start_sentence: str = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """What lies on the bench: a card, what may be done to it, and where it comes from."""

    card: UnitCard
    methods: tuple[str, ...]
    target_share: float
    method: str
    fluid: Fluid
    level_by: str
    unit: str = ""
    model: str = ""
    purge_hold_up_l: float | None = None
    house_method: str = ""
    on_record: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bench:
    """The whole answer."""

    subject: Subject
    plans: ExchangePlans
    chosen: Chosen
    curves: tuple[MethodCurve, ...]
    stages: StagePlan
    drain: DrainShown
    stick: StickScale
    pour: FirstPour


def bench_of(asked: BenchInput, person: Person | None = None, *, is_every_depot: bool = False) -> Bench:
    """Work out one bench answer.

    Args:
        asked: the checked request.
        person: whose depots a unit is looked for in; only a request that names a unit needs it, and records.
        is_every_depot: look in all depots, for whoever runs the installation.

    Returns:
        The answer.

    Raises:
        BenchRefused: an unknown unit, or a card that contradicts itself.
    """
    seen_by = Person(is_superuser=True) if is_every_depot else person
    subject = _from_unit(asked, seen_by) if asked.unit else _typed(asked)
    try:
        check_card(subject.card)
        plans = _plans(asked, subject)
    except HatchmarkError as error:
        raise BenchRefused([(("card",), str(error))]) from error
    chosen = _tried(asked, subject, plans) if asked.new_fluid_l is not None else _planned(subject, plans)
    card, fluid, is_oil = subject.card, subject.fluid, not (subject.card.unit_kind or "").startswith(WATERY)
    return Bench(
        subject,
        plans,
        chosen,
        _curves(subject, plans, chosen),
        _stages(card, chosen),
        drain_shown(card, fluid, asked.temperatures, asked.measures)
        if is_oil
        else DrainShown(cannot_say=NOT_AN_OIL),
        stick_scale(card, fluid, asked.temperatures, asked.measures)
        if is_oil
        else StickScale(cannot_say=NOT_AN_OIL),
        _pour(asked, subject, chosen) if is_oil else FirstPour(cannot_say=NOT_AN_OIL),
    )


def bench_data(bench: Bench) -> dict[str, Any]:
    """Return an answer as plain dicts, lists and numbers, the same for API and command."""
    data = asdict(bench)
    subject = data.pop("subject")
    card = {name: value for name, value in subject.pop("card").items() if name != "sources"}
    plans = data.pop("plans")
    for plan, row in zip(bench.plans.plans, plans["plans"], strict=True):
        row["title"] = plan.title
    runner_up = bench.plans.runner_up
    return {
        "unit": subject["unit"],
        "model": subject["model"],
        "card": card,
        "sources": dict(bench.subject.card.sources),
        "target_share": bench.plans.target_share,
        "is_reason_asked": bench.plans.is_reason_asked,
        "best": bench.plans.best.title if bench.plans.best is not None else None,
        "runner_up": runner_up.title if runner_up is not None else None,
        "difference": bench.plans.difference,
        "plans": plans["plans"],
        **data,
    }


def _typed(asked: BenchInput) -> Subject:
    card = _card({}, asked.card, None, {})
    return Subject(
        card, asked.allowed_methods or GEARBOX_METHODS, asked.target_share or HOUSE_TARGET_SHARE, asked.method,
        asked.fluid, asked.measures.level_by or "stick",
    )  # fmt: skip


def _from_unit(asked: BenchInput, person: Person | None) -> Subject:
    unit = unit_find(person, asked.unit) if person is not None else None
    if unit is None:
        raise BenchRefused(
            [(("unit",), f"There is no unit “{asked.unit}” in your depots. Look for it in the due list.")]
        )
    model, figures = unit.unit_model, figures_in_force([unit])[unit.pk]
    known = {FIGURE_FIELDS.get(own.figure, own.figure): own for own in figures}
    on_record = {name: own.value for name, own in known.items() if name in UnitCard.__dataclass_fields__}
    kind = TYPICAL_KINDS[model.Kind(model.kind)]
    card = _card(on_record, asked.card, kind, {name: own.source for name, own in known.items()})
    purge = known.get("purge_hold_up_l")
    house, product = asked.fluid, model.product
    if product is not None:
        house = Fluid(
            house.density_kg_m3 or product.density15_kg_m3,
            house.kv40_mm2_s or product.kv40_mm2_s,
            house.kv100_mm2_s or product.kv100_mm2_s,
        )
    by = "standpipe" if model.level_check.startswith("standpipe") else "stick"
    return Subject(
        card, asked.allowed_methods or tuple(model.methods),
        asked.target_share or model.target_share or HOUSE_TARGET_SHARE, asked.method, house,
        asked.measures.level_by or by, unit.code, model.code, purge.value if purge else None, model.house_method,
        on_record,
    )  # fmt: skip


def _card(on_record: dict[str, float], typed: Any, kind: str | None, sources: dict[str, str]) -> UnitCard:
    values = {"unit_kind": kind, **on_record, **typed}
    if values.get("total_fill_l") is None:
        raise BenchRefused([(("card", "total_fill_l"), "The card gives no total fill; type it in first.")])
    return UnitCard(**values, sources=sources | dict.fromkeys(typed, "typed"))


def _plans(asked: BenchInput, subject: Subject) -> ExchangePlans:
    rates = asked.rates
    costs = MethodCosts(
        rates.labour_per_h, rates.fluid_per_l, rates.off_road_per_h, rates.limit_km, rates.kit_per_job,
        rates.machine_per_job,
    )  # fmt: skip
    return plan_exchange(
        subject.card,
        subject.methods,
        subject.target_share,
        subject.purge_hold_up_l,
        night_is_free=asked.night_is_free,
        costs=costs,
    )


def _pick(subject: Subject, plans: ExchangePlans) -> MethodPlan | None:
    """Return the plan to look at: the one asked for, else the house's where it will do, else the best."""
    if subject.method:
        return next((plan for plan in plans.plans if subject.method in (plan.title, plan.method)), None)
    house = next(
        (plan for plan in plans.plans if plan.title == subject.house_method and plan.is_feasible), None
    )
    if house is not None and (house.reaches_target or not plans.reaches_target):
        return house
    return plans.best or (plans.plans[0] if plans.plans else None)


def _planned(subject: Subject, plans: ExchangePlans) -> Chosen:
    plan = _pick(subject, plans)
    if plan is None:
        sentence = (
            f"{subject.method.capitalize() or 'No method'} is not among the methods allowed for this unit."
        )
        return Chosen(subject.method, subject.method, "", False, "not_allowed", sentence, ())
    chosen = _chosen(plan)
    if plan.new_fluid_l is None:
        return chosen
    least, most = plan.fresh_share_low, plan.fresh_share
    if plan.method in (COOLER_LINE, MACHINE, BLEED) and plan.new_fluid_l:
        band = share_band(subject.card, plan.method, plan.start, [plan.new_fluid_l], chosen.stage_l)
        least, most = band.least[0], band.most[0]
    return replace(chosen, least_share=least, most_share=most)


def _chosen(plan: MethodPlan) -> Chosen:
    stage_l = plan.stages[0] if plan.stages else None
    return Chosen(
        plan.title, plan.method, plan.start, plan.is_feasible, plan.reason, plan.sentence,
        METHODS[plan.method].cautions, plan.new_fluid_l, plan.drained_l, plan.pushed_l, stage_l,
        low_share=plan.fresh_share_low, fresh_share=plan.fresh_share,
    )  # fmt: skip


def _tried(asked: BenchInput, subject: Subject, plans: ExchangePlans) -> Chosen:
    """Try a method with the litres typed."""
    plan, litres = _pick(subject, plans), asked.new_fluid_l
    if plan is None or not plan.is_feasible or litres is None:
        return _planned(subject, plans)
    bare = Chosen(plan.title, plan.method, plan.start, False, "refused", "", METHODS[plan.method].cautions)
    is_pushed = plan.method in (COOLER_LINE, MACHINE)
    if is_pushed and subject.card.has_compartments:
        run = simulate(subject.card, plan.method, litres, start=plan.start, slice_l=_slice_l(litres))
        if not run.is_allowed:
            return replace(bare, reason=run.reason, sentence=run.sentence)
    try:
        band = share_band(subject.card, plan.method, plan.start, [litres])
    except HatchmarkError as error:
        return replace(bare, sentence=str(error))
    drained_l = (plan.drained_l or 0.0) if is_pushed else litres if plan.method != BLEED else 0.0
    pushed_l = litres - drained_l
    limit_l = stage_limit(subject.card).litres if plan.method == COOLER_LINE and pushed_l > 0 else None
    return replace(
        bare, is_allowed=True, reason="ok",
        sentence=f"{plan.title.capitalize()} with {litres:g} L leaves the unit {band.best[0]:.0%} fresh, "
        f"{band.low[0]:.0%} taken cautiously.",
        new_fluid_l=litres, drained_l=drained_l, pushed_l=pushed_l, stage_l=limit_l, least_share=band.least[0],
        low_share=band.low[0], fresh_share=band.best[0], most_share=band.most[0],
    )  # fmt: skip


def _slice_l(litres: float) -> float:
    return max(SLICE_L, litres / MOST_SLICES)


def _curves(subject: Subject, plans: ExchangePlans, chosen: Chosen) -> tuple[MethodCurve, ...]:
    """Curves of all methods that can be done, on one scale of litres."""
    feasible = [plan for plan in plans.plans if plan.is_feasible]
    asked_l = [plan.new_fluid_l or 0.0 for plan in feasible] + [chosen.new_fluid_l or 0.0]
    end_l = max(1.5 * subject.card.total_fill_l, 1.1 * max(asked_l))
    curves = []
    for plan in feasible:
        is_chosen = plan.title == chosen.title
        stage_l = chosen.stage_l if is_chosen else plan.stages[0] if plan.stages else None
        try:
            band = share_band(
                subject.card, plan.method, plan.start, _litres_of(plan, end_l),
                stage_l if plan.method == COOLER_LINE else None,
            )  # fmt: skip
        except HatchmarkError:
            continue
        curves.append(MethodCurve(plan.title, is_chosen, band))
    return tuple(curves)


def _litres_of(plan: MethodPlan, end_l: float) -> list[float]:
    if plan.method in (COOLER_LINE, MACHINE):
        return [float(v) for v in np.linspace(plan.drained_l or 0.0, end_l, CURVE_POINTS)]
    if plan.method == REPEATED and plan.drained_l:
        one_l = plan.drained_l / plan.drains
        return [one_l * n for n in range(1, max(2, min(6, int(end_l / one_l + 1e-9))) + 1)]
    if plan.method == BLEED:
        return [float(v) for v in np.linspace(0.0, end_l, CURVE_POINTS)]
    if plan.method == CYCLE_TANK:
        return [plan.drained_l or 0.0]
    return [plan.new_fluid_l or 0.0]


def _stages(card: UnitCard, chosen: Chosen) -> StagePlan:
    if chosen.method != COOLER_LINE:
        return StagePlan(cannot_say="Only the cooler-line exchange is done in stages.")
    parts = compartments_of(card) if card.has_compartments else None
    limit = stage_limit(card)
    known = StagePlan(
        limit=limit,
        sump_l=parts.sump_l if parts else None,
        pickup_l=parts.pickup_l if parts else None,
        floor_l=parts.floor_l if parts else None,
    )
    if not chosen.is_allowed or chosen.new_fluid_l is None or chosen.drained_l is None:
        return replace(known, cannot_say=chosen.sentence)
    if chosen.start == START_OVERNIGHT:
        check = start_check(card, chosen.drained_l)
        known = replace(known, start_ok=check.ok, start_sentence=check.sentence)
    if not chosen.stage_l:
        return replace(known, cannot_say="One drain is enough; nothing needs to be pushed through.")
    if parts is not None:
        run = simulate(
            card, COOLER_LINE, chosen.new_fluid_l, chosen.stage_l, start=chosen.start,
            slice_l=_slice_l(chosen.new_fluid_l),
        )  # fmt: skip
        steps = [StageStep(one.litres, one.seconds, one.sump_after_l, one.out_total_l) for one in run.stages]
        return replace(known, steps=tuple(steps), cannot_say="" if run.is_allowed else run.sentence)
    steps, out_l = [], chosen.drained_l
    for litres in cut_stages(chosen.pushed_l or 0.0, chosen.stage_l):
        out_l += litres
        steps.append(StageStep(litres, stage_seconds(card, litres), None, out_l))
    return replace(known, steps=tuple(steps))


def _pour(asked: BenchInput, subject: Subject, chosen: Chosen) -> FirstPour:
    if not chosen.is_allowed or chosen.drained_l is None or chosen.pushed_l is None:
        return FirstPour(cannot_say=chosen.sentence)
    return first_pour(
        subject.card, subject.fluid, asked.temperatures, asked.measures, subject.level_by,
        chosen.drained_l, chosen.pushed_l, chosen.start,
    )  # fmt: skip
