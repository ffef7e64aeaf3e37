"""What accepting a learned figure would change on the next job card, in one sentence."""

from collections.abc import Sequence
from copy import copy

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, plan_exchange
from intervals.exchange.methods import MethodPlan
from shop.models import CardFigure, UnitModel
from shop.selectors.exchange import FIGURE_FIELDS, HOUSE_TARGET_SHARE, card_from

_READ_L = 6.0
"""Litres in a tray that an example is told for."""

_STICK_MM = 4.0


def tool_consequence(now: float, then: float) -> str:
    """Say what a reading of this tool counts as, before and after; both are shares it reads too much."""
    return (
        f"{_READ_L:.2f} L read on this tool will count as {_READ_L * (1.0 - then):.2f} L, now as "
        f"{_READ_L * (1.0 - now):.2f} L."
    )


def card_consequence(model: UnitModel, figures: Sequence[CardFigure], figure: str, then: float) -> str:
    """Say what the next card of a unit model would show with a learned figure, against what it shows now.

    figures: the model's own figures. then: the learned one, as the card would say it.
    """
    try:
        now_card, then_card = card_from(model, figures), card_from(model, _with(model, figures, figure, then))
        if figure == "ml_per_mm":
            return _stick_words(now_card, then_card)
        now_plan, then_plan = _best(model, now_card), _best(model, then_card)
    except HatchmarkError as error:
        return f"Cannot say what the next card would show: {error}"
    words = [_plan_words(plan) for plan in (now_plan, then_plan)]
    expect = ""
    if figure.endswith("_drain_l"):
        expect = f"The next card expects {then:.2f} L in the tray, now {getattr(now_card, figure):.2f} L. "
    if words[0] == words[1]:
        why = ", because the card's compartments are simulated" if now_card.has_compartments else ""
        return f"{expect}The plan stays the same, {words[0]}{why if figure == 'mixing' else ''}."
    return f"{expect}The plan becomes {words[1]}, now {words[0]}."


def _with(model: UnitModel, figures: Sequence[CardFigure], figure: str, value: float) -> list[CardFigure]:
    changed = [copy(own) for own in figures if own.figure != figure]
    name = next((name for name, field in FIGURE_FIELDS.items() if field == figure), figure)
    return [*changed, CardFigure(unit_model=model, figure=name, value=value, source="learned")]


def _stick_words(now: UnitCard, then: UnitCard) -> str:
    return (
        f"A stick {_STICK_MM:g} mm over means {_STICK_MM * then.ml_per_mm:.0f} mL too much, now "
        f"{_STICK_MM * now.ml_per_mm:.0f} mL."
    )


def _best(model: UnitModel, card: UnitCard) -> MethodPlan | None:
    plans = plan_exchange(card, model.methods, model.target_share or HOUSE_TARGET_SHARE)
    house = next((one for one in plans.plans if one.title == model.house_method and one.is_feasible), None)
    return house or plans.best


def _plan_words(plan: MethodPlan | None) -> str:
    if plan is None:
        return "no method"
    return (
        f"{plan.title}: {plan.drained_l or 0.0:.2f} L drained, {plan.new_fluid_l:.2f} L new, "
        f"{plan.fresh_share:.1%} fresh"
    )
