"""The bench: everything the exchange model says about one unit card, one method and today's figures.

Nothing is stored. Each part of the answer says itself why it cannot be given.
"""

import math
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, check_card
from intervals.exchange.band import share_band
from intervals.exchange.card import stage_limit
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED, TANK, MethodCosts, usual_purge_hold_up_l
from intervals.exchange.fluid_kinds import BRAKE_FLUID, COOLANT, OIL
from intervals.exchange.methods import METHODS, ExchangePlans, MethodPlan, plan_exchange
from intervals.exchange.model import simulate
from intervals.exchange.starts import COOLER_LINE, DRAIN, MACHINE, OVERNIGHT
from shop.models import Person
from shop.planning.packs import Pack, PackChoice, choose_packs
from shop.selectors.bench_fluid import (
    FluidShown,
    StrengthShown,
    fluid_of,
    fluid_shown,
    product_named,
    strength_shown,
)
from shop.selectors.bench_level import DrainShown, FirstPour, StickScale, drain_shown, first_pour, stick_scale
from shop.selectors.bench_packs import fluid_price_per_l, packs_of
from shop.selectors.bench_ranges import RangesShown, ranges_shown
from shop.selectors.bench_request import BenchInput, BenchRefused, Fluid, Temperatures
from shop.selectors.bench_stages import (
    Chosen,
    MethodCurve,
    StagePlan,
    method_curves,
    stage_plan,
)
from shop.selectors.bench_steps import SequenceShown, sequence_shown
from shop.selectors.exchange import FIGURE_FIELDS, HOUSE_TARGET_SHARE, TYPICAL_KINDS, figures_in_force
from shop.selectors.may_go_in import why_not
from shop.selectors.units import unit_find

GEARBOX_METHODS = (DRAIN, REPEATED, OVERNIGHT, COOLER_LINE, MACHINE)
METHODS_OF_KIND = {
    "brakes": (BLEED,),
    "hydraulics": (TANK, CYCLE_TANK),
    **dict.fromkeys(("cooling", "engine", "axle", "manual", "transfer", "steering"), (DRAIN, REPEATED)),
}
BLED = "A bleed has no first fill: the reservoir stays between its marks as old fluid leaves and must not run dry."
WHOLE_DRAIN = 1e-9
KIND_OF_FLUID = {"cooling": COOLANT, "brakes": BRAKE_FLUID}


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
    window_c: tuple[float | None, float | None] = (None, None)
    packs: tuple[Pack, ...] = ()
    product: str = ""
    must_not: str = ""
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
    fluid: FluidShown
    strength: StrengthShown
    sequence: SequenceShown
    ranges: RangesShown
    packs: PackChoice | None


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
    card, fluid = subject.card, subject.fluid
    temps = _with_window(asked.temperatures, subject)
    pour = _pour(asked, subject, chosen)
    return Bench(
        subject,
        plans,
        chosen,
        method_curves(subject.card, plans, chosen),
        stage_plan(card, chosen),
        drain_shown(card, fluid, temps, asked.measures),
        stick_scale(card, fluid, temps, asked.measures, pour.guard_l, subject.level_by),
        pour,
        fluid_shown(fluid, subject.product, subject.must_not),
        strength_shown(fluid, asked.measures, card.total_fill_l, card.quick_drain_l or chosen.drained_l),
        sequence_shown(card, asked.steps),
        ranges_shown(card, plans, chosen, is_tried=asked.new_fluid_l is not None),
        _packs(subject, chosen),
    )


def _with_window(temps: Temperatures, subject: Subject) -> Temperatures:
    """Take the window of the record where none was typed."""
    low_c, high_c = subject.window_c
    return replace(
        temps,
        window_low_c=low_c if temps.window_low_c is None else temps.window_low_c,
        window_high_c=high_c if temps.window_high_c is None else temps.window_high_c,
    )


def _packs(subject: Subject, chosen: Chosen) -> PackChoice | None:
    """Return the cheapest packs for the litres of the job, purge and hold-up included; None without priced packs."""
    if not subject.packs or not chosen.is_allowed or chosen.new_fluid_l is None:
        return None
    purge_l = subject.purge_hold_up_l
    need_l = chosen.new_fluid_l + (usual_purge_hold_up_l(chosen.new_fluid_l) if purge_l is None else purge_l)
    return choose_packs(need_l, subject.packs)


def bench_data(bench: Bench) -> dict[str, Any]:
    """Return an answer as plain dicts, lists and numbers, the same for API and command."""
    data = asdict(bench)
    subject = data.pop("subject")
    card = {name: value for name, value in subject.pop("card").items() if name != "sources"}
    plans, packs = data.pop("plans"), bench.packs
    data["packs"] = packs and {
        "packs": [{"count": count, "label": pack.label, "size_l": pack.size_l} for pack, count in packs.packs],
        "price": float(packs.price), "left_over_l": packs.left_over_l, "reason": packs.reason,
    }  # fmt: skip
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
    product = product_named(asked.product)
    return Subject(
        card, asked.allowed_methods or _usual_methods(card.unit_kind), asked.target_share or HOUSE_TARGET_SHARE,
        asked.method, fluid_of(asked.fluid, product, _kind_of_fluid(card.unit_kind)),
        asked.measures.level_by or "stick", packs=packs_of(product), product=str(product or ""),
    )  # fmt: skip


def _usual_methods(unit_kind: str | None) -> tuple[str, ...]:
    """Return the methods looked at for a typed card: those a kind of unit can take."""
    return next(
        (methods for start, methods in METHODS_OF_KIND.items() if (unit_kind or "").startswith(start)),
        GEARBOX_METHODS,
    )


def _kind_of_fluid(unit_kind: str | None) -> str:
    return next((kind for start, kind in KIND_OF_FLUID.items() if (unit_kind or "").startswith(start)), OIL)


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
    product = product_named(asked.product) or model.product
    fluid = fluid_of(asked.fluid, product, _kind_of_fluid(kind))
    window = tuple(known[name].value if name in known else None for name in ("level_low_c", "level_high_c"))
    by = "standpipe" if model.level_check.startswith("standpipe") else "stick"
    return Subject(
        card, asked.allowed_methods or tuple(model.methods),
        asked.target_share or model.target_share or HOUSE_TARGET_SHARE, asked.method, fluid,
        asked.measures.level_by or by, unit.code, model.code, purge.value if purge else None, model.house_method,
        (window[0], window[1]), packs_of(product), str(product or ""),
        why_not(product, model) if product is not None and asked.product else "", on_record,
    )  # fmt: skip


def _card(on_record: dict[str, float], typed: Any, kind: str | None, sources: dict[str, str]) -> UnitCard:
    values = {"unit_kind": kind, **on_record, **typed}
    if values.get("total_fill_l") is None:
        raise BenchRefused([(("card", "total_fill_l"), "The card gives no total fill; type it in first.")])
    return UnitCard(**values, sources=sources | dict.fromkeys(typed, "typed"))


def _plans(asked: BenchInput, subject: Subject) -> ExchangePlans:
    rates = asked.rates
    price_per_l = fluid_price_per_l(rates.fluid_per_l, subject.packs)
    costs = MethodCosts(
        rates.labour_per_h, price_per_l, rates.off_road_per_h, rates.limit_km, rates.kit_per_job,
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
        METHODS[plan.method].cautions, plan.new_fluid_l, plan.drained_l, plan.pushed_l, stage_l, plan.drains,
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
        run = simulate(subject.card, plan.method, litres, start=plan.start)
        if not run.is_allowed:
            return replace(bare, reason=run.reason, sentence=run.sentence)
    try:
        band = share_band(subject.card, plan.method, plan.start, [litres])
    except HatchmarkError as error:
        return replace(bare, sentence=str(error))
    drained_l = (plan.drained_l or 0.0) if is_pushed else litres if plan.method != BLEED else 0.0
    pushed_l = litres - drained_l
    one_l = subject.card.quick_drain_l
    drains = math.ceil(litres / one_l - WHOLE_DRAIN) if plan.method == REPEATED and one_l else plan.drains
    limit_l = stage_limit(subject.card).litres if plan.method == COOLER_LINE and pushed_l > 0 else None
    return replace(
        bare, is_allowed=True, reason="ok",
        sentence=f"{plan.title.capitalize()} with {litres:g} L leaves the unit {band.best[0]:.0%} fresh, "
        f"{band.low[0]:.0%} taken cautiously.",
        new_fluid_l=litres, drained_l=drained_l, pushed_l=pushed_l, stage_l=limit_l, drains=drains,
        least_share=band.least[0],
        low_share=band.low[0], fresh_share=band.best[0], most_share=band.most[0],
    )  # fmt: skip


def _pour(asked: BenchInput, subject: Subject, chosen: Chosen) -> FirstPour:
    if not chosen.is_allowed or chosen.drained_l is None or chosen.pushed_l is None:
        return FirstPour(cannot_say=chosen.sentence)
    if chosen.method == BLEED:
        return FirstPour(cannot_say=BLED)
    return first_pour(
        subject.card, subject.fluid, asked.temperatures, asked.measures, asked.rates, subject.level_by,
        chosen.drained_l / max(1, chosen.drains), chosen.pushed_l, chosen.start,
    )  # fmt: skip
