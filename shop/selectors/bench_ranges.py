"""How far the figures of a bench answer may be off: the method looked at, the litres of every other, the steps."""

from dataclasses import dataclass, replace

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard
from intervals.exchange.band import share_band
from intervals.exchange.catalogue import BLEED
from intervals.exchange.methods import ExchangePlans, MethodPlan
from intervals.exchange.plan_spread import JUG_LIMIT_SHARE, litres_budget, plan_spread
from intervals.exchange.propagation import COVERAGE, Uncertainty, propagate, spread_of
from intervals.exchange.spread import done_spread, share_percent
from intervals.exchange.starts import COOLER_LINE, MACHINE
from shop.selectors.bench_stages import Chosen

COVERS = (
    f"Ranges hold in {100.0 * COVERAGE:.0f} of 100 such jobs: drain and total fill as far off as their source allows, "
    "jug, packs, and what is not known of how the fluid mixes. Typed figures count as the house's own."
)


@dataclass(frozen=True, slots=True)
class MethodRange:
    """One method: the range of its litres, and of its share over the mixing cases alone (None for drains)."""

    title: str
    litres_low_l: float
    litres_high_l: float
    share_least: float | None = None
    share_most: float | None = None


@dataclass(frozen=True, slots=True)
class RangesShown:
    """The ranges of the method looked at, with what they cover and what makes the most of them."""

    cannot_say: str = ""
    covers: str = ""
    sentence: str = ""
    share_low: float | None = None
    share_high: float | None = None
    litres_low_l: float | None = None
    litres_high_l: float | None = None
    reserve_low_l: float | None = None
    reserve_high_l: float | None = None
    methods: tuple[MethodRange, ...] = ()


def ranges_shown(card: UnitCard, plans: ExchangePlans, chosen: Chosen, *, is_tried: bool) -> RangesShown:
    """Return the ranges of the method looked at and of the litres of every method that can be done.

    is_tried: the litres were typed, so that they vary with the jug and not with the plan.
    """
    # What was typed today is the house's own figure; only a figure marked as a guess on record is one.
    own = {name: source for name, source in card.sources.items() if source != "typed"}
    card = replace(card, sources=own)
    methods = tuple(_of_method(card, plan) for plan in plans.plans if plan.is_feasible)
    plan = next((one for one in plans.plans if one.title == chosen.title and one.is_feasible), None)
    if plan is None or not chosen.is_allowed or not chosen.new_fluid_l:
        return RangesShown(cannot_say=chosen.sentence, methods=methods)
    try:
        if is_tried:
            return replace(_tried(card, plan, chosen.new_fluid_l), methods=methods)
        spread = plan_spread(card, plan)
    except HatchmarkError as error:
        return RangesShown(cannot_say=str(error), methods=methods)
    return RangesShown(
        "", COVERS, spread.sentence, spread.share.low, spread.share.high, spread.litres.low, spread.litres.high,
        spread.reserve_l.low, spread.reserve_l.high, methods,
    )  # fmt: skip


def _of_method(card: UnitCard, plan: MethodPlan) -> MethodRange:
    litres = spread_of(propagate(*litres_budget(card, plan)), COVERAGE, 0.0)
    if plan.method not in (COOLER_LINE, MACHINE, BLEED) or not plan.new_fluid_l:
        return MethodRange(plan.title, litres.low, litres.high)
    stage_l = plan.stages[0] if plan.stages and plan.method == COOLER_LINE else None
    try:
        band = share_band(card, plan.method, plan.start, [plan.new_fluid_l], stage_l)
    except HatchmarkError:
        return MethodRange(plan.title, litres.low, litres.high)
    return MethodRange(plan.title, litres.low, litres.high, band.least[0], band.most[0])


def _tried(card: UnitCard, plan: MethodPlan, new_fluid_l: float) -> RangesShown:
    litres = Uncertainty(JUG_LIMIT_SHARE * new_fluid_l)
    share = done_spread(card, plan.title, new_fluid_l, litres)
    low, high = share_percent(share.low), share_percent(share.high)
    return RangesShown(
        "", COVERS, f"Fresh afterwards {low} to {high}; the litres are as typed, within the jug.",
        share.low, share.high, new_fluid_l - litres.limit, new_fluid_l + litres.limit,
    )  # fmt: skip
