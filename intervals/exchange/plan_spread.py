"""How sure the litres and the fresh share of an exchange plan are.

A drain is as uncertain as the card's figure for it, pushed litres as the jug they are measured with; mixing and total
fill make the rest of the share's spread, purge, packs and the level on arrival the rest of the litres'.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.acceptance import tolerable_negative_error_l
from intervals.exchange.card import UnitCard
from intervals.exchange.catalogue import BLEED, TYPICAL_SHARES
from intervals.exchange.methods import MethodPlan
from intervals.exchange.propagation import COVERAGE, Input, Model, Spread, Uncertainty, propagate, spread_of
from intervals.exchange.shares import share_after_drains
from intervals.exchange.spread import (
    SOURCE_LIMITS,
    card_uncertainty,
    mixed_spread,
    moved_card,
    share_inputs,
    share_model,
    share_percent,
)
from intervals.exchange.starts import COOLER_LINE, MACHINE, OVERNIGHT, START_OVERNIGHT, START_QUICK
from intervals.exchange.yields import BASIS_TYPICAL

JUG_LIMIT_SHARE = 0.03
"""A jug, or the meter of an exchange machine, reads within three in a hundred. Common practice, no source."""

TRAY_LIMIT_SHARE = 0.05
"""A tray of old fluid reads within five in a hundred. Common practice, no source."""

MARK_LIMIT_SHARE = 0.5
"""An engine run stops within half a mark of the jug. Common practice, no source."""

PURGE_LIMIT_SHARE = 0.5
"""What lines and packs keep is known to half. Common practice, no source."""

ARRIVAL_LIMIT_MM = 5.0
ARRIVAL_LIMIT_SHARE = 0.01
"""A unit arrives within 5 mm of its mark, or without stick figures within a hundredth of its fill. Common practice, no
source."""

USUAL_PACK_L = 5.0
"""Pack a job is filled from where none is named. House default."""

_WORDS = {
    "total_fill_l": "total fill",
    "quick_drain_l": "quick drain",
    "overnight_drain_l": "overnight drain",
    "bleed_l": "litres of a bleed",
    "typical_share": "usual share of such a unit",
    "jug_share": "jug",
    "marks_l": "stopping at the jug's marks",
    "purge_l": "purge and hold-up",
    "arrival_l": "level on arrival",
    "pack_share": "packs",
    "mixing": "mixing",
}


@dataclass(frozen=True, slots=True)
class PlanSpread:
    """Fresh share and litres of a plan with their spread.

    Attributes:
        share: fresh share, 0 to 1: the plan's best guess and the range of all mixing cases.
        litres: all new fluid of the job, L.
        reserve_l: litres to have for it, purge, packs and the level on arrival included, L.
        share_sentence, litres_sentence: each range in words, with what makes the most of it.
    """

    share: Spread
    litres: Spread
    reserve_l: Spread
    share_sentence: str
    litres_sentence: str

    @property
    def sentence(self) -> str:
        """Both ranges in words."""
        return f"{self.litres_sentence} {self.share_sentence}"


def plan_spread(
    card: UnitCard,
    plan: MethodPlan,
    learned_sd: Mapping[str, float] | None = None,
    coverage: float = COVERAGE,
) -> PlanSpread:
    """Fresh share and litres of a plan with their spread.

    Equation: law of propagation over the figures of `litres_budget` and `reserve_budget`; `mixed_spread` over those of
    `share_budget`. The parts of a card with
    compartments are taken as they stand: five in a hundred more of one and less of the others moves the share by
    thousandths. Source: ISO/IEC Guide 98-3 (GUM).

    Args:
        card: the unit card the plan was made from.
        plan: a plan that can be done.
        learned_sd: standard deviation of learned card figures, L, by field; without it a learned figure has the
            limit of its source.
        coverage: probability between `low` and `high`.

    Returns:
        The spreads.

    Raises:
        QuantityError: a plan that cannot be done, which has neither litres nor share.
        CardError: a card that contradicts itself.
    """
    share = mixed_spread(*share_budget(card, plan, learned_sd), plan.fresh_share or 0.0, coverage)
    litres = spread_of(propagate(*litres_budget(card, plan, learned_sd)), coverage, 0.0)
    reserve = spread_of(propagate(*reserve_budget(card, plan, learned_sd)), coverage, 0.0)
    shares = f"{share_percent(share.low)} to {share_percent(share.high)}"
    often = f"in {100.0 * coverage:.0f} of 100 such jobs"
    return PlanSpread(
        share, litres, reserve,
        f"Fresh afterwards {shares} {often}{_mostly(card, share, learned_sd)}.",
        f"It takes {reserve.low:.1f} to {reserve.high:.1f} L {often}{_mostly(card, reserve, learned_sd)}.",
    )  # fmt: skip


def share_budget(
    card: UnitCard, plan: MethodPlan, learned_sd: Mapping[str, float] | None = None
) -> tuple[Model, tuple[Input, ...]]:
    """The share of a plan as a function of uncertain figures, and these figures; see `plan_spread`."""
    _check(plan)
    if plan.basis == BASIS_TYPICAL:
        typical = TYPICAL_SHARES[card.unit_kind or ""]
        middle, half = typical.middle, 0.5 * (typical.high - typical.low)
        once = Input("typical_share", middle, Uncertainty(half), 0.0, 1.0)
        return lambda figures: 1.0 - (1.0 - figures["typical_share"]) ** plan.drains, (once,)
    drawn = _poured(card, plan, learned_sd)
    if plan.method != BLEED and not plan.pushed_l:
        return lambda figures: _drained_share(card, plan, figures), drawn
    inner = share_model(card, plan.title, plan.stages[0] if plan.stages else None)

    def share(figures: Mapping[str, float]) -> float:
        known = {name: value for name, value in figures.items() if name not in _LITRES_ONLY}
        return inner({**known, "new_fluid_l": _new_fluid_l(card, plan, figures)})

    mixing = share_inputs(card, plan.title, plan.new_fluid_l or 0.0, {})
    return share, (*drawn, *(item for item in mixing if item.name != "new_fluid_l"))


def litres_budget(
    card: UnitCard, plan: MethodPlan, learned_sd: Mapping[str, float] | None = None
) -> tuple[Model, tuple[Input, ...]]:
    """The new fluid of a plan, L, as a function of uncertain figures, and these figures; see `plan_spread`."""
    _check(plan)
    return lambda figures: _new_fluid_l(card, plan, figures), _poured(card, plan, learned_sd)


def reserve_budget(
    card: UnitCard, plan: MethodPlan, learned_sd: Mapping[str, float] | None = None
) -> tuple[Model, tuple[Input, ...]]:
    """The litres to have for a plan as a function of uncertain figures, and these figures; see `plan_spread`."""
    _check(plan)
    purge_l = plan.purge_hold_up_l or 0.0
    level_l = (plan.total_to_reserve_l or 0.0) - (plan.new_fluid_l or 0.0) - purge_l
    arrival_l = (
        ARRIVAL_LIMIT_SHARE * card.total_fill_l
        if card.ml_per_mm is None
        else ARRIVAL_LIMIT_MM * card.ml_per_mm / 1000.0
    )
    pack_share = tolerable_negative_error_l(USUAL_PACK_L) / USUAL_PACK_L

    def reserve(figures: Mapping[str, float]) -> float:
        new_l = _new_fluid_l(card, plan, figures)
        return new_l * (1.0 + figures["pack_share"]) + figures["purge_l"] + figures["arrival_l"]

    return reserve, (
        *_poured(card, plan, learned_sd),
        Input("purge_l", purge_l, Uncertainty(PURGE_LIMIT_SHARE * purge_l), 0.0),
        Input("arrival_l", level_l, Uncertainty(arrival_l)),
        Input("pack_share", 0.0, Uncertainty(pack_share)),
    )


_LITRES_ONLY = ("jug_share", "marks_l", "bleed_l")


def _poured(card: UnitCard, plan: MethodPlan, learned_sd: Mapping[str, float] | None) -> tuple[Input, ...]:
    """The figures that say how much new fluid goes in, and the total fill it goes into."""
    names = ["total_fill_l"]
    drain = _drain_of(plan)
    if plan.method == BLEED:
        names += ["bleed_l"] if card.bleed_l is not None else []
    elif drain and getattr(card, drain) is not None:
        names.append(drain)
    inputs = [
        Input(name, getattr(card, name), card_uncertainty(card, name, learned_sd), 0.0) for name in names
    ]
    if plan.method in (COOLER_LINE, MACHINE) and plan.pushed_l:
        marks_l = MARK_LIMIT_SHARE * card.jug_mark_l * math.sqrt(len(plan.stages))
        inputs.append(Input("jug_share", 0.0, Uncertainty(JUG_LIMIT_SHARE)))
        if plan.method == COOLER_LINE:
            inputs.append(Input("marks_l", 0.0, Uncertainty(marks_l)))
    return tuple(inputs)


def _drain_of(plan: MethodPlan) -> str:
    start = START_OVERNIGHT if plan.method == OVERNIGHT else plan.start
    return {START_QUICK: "quick_drain_l", START_OVERNIGHT: "overnight_drain_l"}.get(start, "")


def _new_fluid_l(card: UnitCard, plan: MethodPlan, figures: Mapping[str, float]) -> float:
    if plan.method == BLEED:
        return figures.get("bleed_l", figures["total_fill_l"])
    drain = _drain_of(plan)
    known = {name: value for name, value in figures.items() if name in ("total_fill_l", drain)}
    moved = moved_card(card, known)
    one_l = getattr(moved, drain) if drain else 0.0
    if one_l is None:
        one_l = (plan.drained_l or 0.0) / plan.drains / card.total_fill_l * moved.total_fill_l
    pushed_l = (plan.pushed_l or 0.0) * (1.0 + figures.get("jug_share", 0.0)) + figures.get("marks_l", 0.0)
    return float(plan.drains * one_l + max(0.0, pushed_l))


def _drained_share(card: UnitCard, plan: MethodPlan, figures: Mapping[str, float]) -> float:
    total_l = figures["total_fill_l"]
    each_l = min(total_l, _new_fluid_l(card, plan, figures) / plan.drains)
    return share_after_drains(plan.drains, each_l, total_l)


def _check(plan: MethodPlan) -> None:
    if not plan.is_feasible or plan.new_fluid_l is None:
        raise QuantityError(
            f"{plan.title.capitalize()} cannot be done here, so it has no litres and no share."
        )


def _mostly(card: UnitCard, spread: Spread, learned_sd: Mapping[str, float] | None) -> str:
    """The two figures that make most of a spread, in words."""
    largest = sorted(spread.parts.items(), key=lambda part: -abs(part[1]))[:2]
    named = [_named(card, name, learned_sd) for name, part in largest if part]
    return f", mostly from {' and '.join(named)}" if named else ""


def _named(card: UnitCard, name: str, learned_sd: Mapping[str, float] | None) -> str:
    if name not in ("total_fill_l", "quick_drain_l", "overnight_drain_l", "bleed_l"):
        return _WORDS[name]
    if name in (learned_sd or {}):
        return f"{_WORDS[name]} (learned)"
    source = card.sources.get(name, "house")
    return f"{_WORDS[name]} ({source}, ± {SOURCE_LIMITS.get(source, SOURCE_LIMITS['guess']):.0%})"
