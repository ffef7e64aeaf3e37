"""Parts of a bench answer that follow from the method: its curve, its stages, the sump over them."""

from dataclasses import dataclass, replace

import numpy as np

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard
from intervals.exchange.band import ShareBand, share_band
from intervals.exchange.card import StageLimit, compartments_of, stage_limit, stage_seconds, start_check
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED
from intervals.exchange.methods import ExchangePlans, MethodPlan
from intervals.exchange.model import cut_stages, simulate
from intervals.exchange.starts import COOLER_LINE, MACHINE, START_OVERNIGHT

CURVE_POINTS = 49


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
    drains: int = 1
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


def method_curves(card: UnitCard, plans: ExchangePlans, chosen: Chosen) -> tuple[MethodCurve, ...]:
    """Curves of all methods that can be done, on one scale of litres."""
    feasible = [plan for plan in plans.plans if plan.is_feasible]
    asked_l = [plan.new_fluid_l or 0.0 for plan in feasible] + [chosen.new_fluid_l or 0.0]
    end_l = max(1.5 * card.total_fill_l, 1.1 * max(asked_l))
    curves = []
    for plan in feasible:
        is_chosen = plan.title == chosen.title
        stage_l = chosen.stage_l if is_chosen else plan.stages[0] if plan.stages else None
        try:
            band = share_band(
                card, plan.method, plan.start, _litres_of(plan, end_l),
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


def stage_plan(card: UnitCard, chosen: Chosen) -> StagePlan:
    """Return the stages of the method looked at and the sump over them."""
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
        )  # fmt: skip
        steps = [StageStep(one.litres, one.seconds, one.sump_after_l, one.out_total_l) for one in run.stages]
        return replace(known, steps=tuple(steps), cannot_say="" if run.is_allowed else run.sentence)
    steps, out_l = [], chosen.drained_l
    for litres in cut_stages(chosen.pushed_l or 0.0, chosen.stage_l):
        out_l += litres
        steps.append(StageStep(litres, stage_seconds(card, litres), None, out_l))
    return replace(known, steps=tuple(steps))
