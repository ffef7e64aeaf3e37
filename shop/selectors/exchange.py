"""A unit's card from its figures, and the exchange plan that follows from it."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field

from django.db.models import Q

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, check_card, plan_exchange
from intervals.exchange.methods import ExchangePlans, MethodPlan
from shop.models import CardFigure, KitPart, LastService, Unit, UnitModel
from shop.planning.kits import KitItem, KitLine, explode_kit

HOUSE_TARGET_SHARE = 0.70
"""Fresh share asked where a unit model names none. House default."""

FIGURE_FIELDS = {
    "turnover_per_l": "turnover",
    "bleed_per_l": "bleed",
    "cooler_flow_l_per_min": "cooler_flow_l_min",
}
"""Card figures whose stored name differs from the field of the unit card."""

TYPICAL_KINDS = {
    UnitModel.Kind.AUTOMATIC: "passenger automatic",
    UnitModel.Kind.VARIATOR: "variator box",
    UnitModel.Kind.MANUAL: "manual box",
    UnitModel.Kind.TRANSFER: "transfer case",
    UnitModel.Kind.AXLE: "axle",
    UnitModel.Kind.ENGINE: "engine with filter",
    UnitModel.Kind.COOLING: "cooling system, radiator only",
    UnitModel.Kind.BRAKES: "brakes",
    UnitModel.Kind.STEERING: "steering reservoir",
    UnitModel.Kind.HYDRAULICS: "hydraulics, tank only",
}


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """Everything a page or a program shows about how to renew a unit's fluid.

    best: the house's own choice of method where it can be done and reaches the target, else the plan that ranks
    first. runner_up: what would come next. cannot_say: why there is no plan, empty when there is one.
    """

    unit: Unit
    target_share: float
    card: UnitCard | None = None
    plans: ExchangePlans | None = None
    best: MethodPlan | None = None
    runner_up: MethodPlan | None = None
    choice: str = ""
    parts: tuple[KitItem, ...] = ()
    figures: list[CardFigure] = field(default_factory=list)
    cannot_say: str = ""


def figures_in_force(units: Collection[Unit]) -> dict[int, list[CardFigure]]:
    """Return the card figures of each unit; one noted for the unit itself beats its model's."""
    by_model: dict[int, dict[str, CardFigure]] = defaultdict(dict)
    by_unit: dict[int, dict[str, CardFigure]] = defaultdict(dict)
    for figure in CardFigure.objects.filter(
        Q(unit_model__in={unit.unit_model_id for unit in units}) | Q(unit__in=units)
    ):
        if figure.unit_id is None:
            by_model[figure.unit_model_id][figure.figure] = figure
        else:
            by_unit[figure.unit_id][figure.figure] = figure
    return {
        unit.pk: sorted(
            (by_model[unit.unit_model_id] | by_unit[unit.pk]).values(), key=lambda own: own.figure
        )
        for unit in units
    }


def card_from(unit_model: UnitModel, figures: Collection[CardFigure]) -> UnitCard:
    """Build the unit card; raises CardError with one sentence when its figures contradict each other."""
    known = set(UnitCard.__dataclass_fields__)
    values = {FIGURE_FIELDS.get(figure.figure, figure.figure): figure for figure in figures}
    if "total_fill_l" not in values:
        raise HatchmarkError(f"The unit card of {unit_model.code} gives no total fill; type it in first.")
    card = UnitCard(
        **{name: figure.value for name, figure in values.items() if name in known},
        unit_kind=TYPICAL_KINDS[UnitModel.Kind(unit_model.kind)],
        sources={name: figure.source for name, figure in values.items()},
    )
    check_card(card)
    return card


def plan_for_unit(unit: Unit, target_share: float | None = None) -> UnitPlan:
    """Return the exchange plan of one unit; see `plans_for_units`."""
    return plans_for_units([unit], target_share)[unit.pk]


def plans_for_units(units: Collection[Unit], target_share: float | None = None) -> dict[int, UnitPlan]:
    """Return the exchange plan of each unit; units of one card share the arithmetic.

    target_share: fresh share to reach, above 0 and below 1; None takes the unit model's, else the house's.
    """
    figures = figures_in_force(units)
    kits: dict[int, list[KitPart]] = defaultdict(list)
    for part in KitPart.objects.filter(unit_model__in={unit.unit_model_id for unit in units}):
        kits[part.unit_model_id].append(part)
    services = dict.fromkeys((unit.pk for unit in units), 1)
    for unit_pk in LastService.objects.filter(unit__in=units, subject="fluid").values_list("unit", flat=True):
        services[unit_pk] += 1
    made: dict[tuple[object, ...], UnitPlan] = {}
    plans = {}
    for unit in units:
        key = (
            unit.unit_model_id, services[unit.pk], *(own.pk for own in figures[unit.pk])
        )  # fmt: skip
        if key not in made:
            made[key] = _plan(
                unit, figures[unit.pk], kits[unit.unit_model_id], services[unit.pk], target_share
            )
        plans[unit.pk] = _for(unit, made[key])
    return plans


def _for(unit: Unit, plan: UnitPlan) -> UnitPlan:
    if plan.unit.pk == unit.pk:
        return plan
    values = {name: getattr(plan, name) for name in UnitPlan.__slots__}
    return UnitPlan(**(values | {"unit": unit}))


def _plan(
    unit: Unit, figures: list[CardFigure], kit: list[KitPart], service_number: int, target_share: float | None
) -> UnitPlan:
    model = unit.unit_model
    target = target_share or model.target_share or HOUSE_TARGET_SHARE
    try:
        card = card_from(model, figures)
        purge = next((own.value for own in figures if own.figure == "purge_hold_up_l"), None)
        plans = plan_exchange(card, model.methods, target, purge)
        best, runner_up, choice = _choose(model, plans)
        parts: tuple[KitItem, ...] = ()
        if best is not None:
            lines = [line for part in kit if (line := _kit_line(part)) is not None]
            parts = explode_kit(
                lines, best.method, model.plug_seal or None, model.filter_kind or "none", service_number
            )
    except (HatchmarkError, ValueError) as error:
        return UnitPlan(unit, target, figures=figures, cannot_say=str(error))
    cannot_say = "" if best else plans.difference
    return UnitPlan(unit, target, card, plans, best, runner_up, choice, parts, figures, cannot_say)


def _choose(model: UnitModel, plans: ExchangePlans) -> tuple[MethodPlan | None, MethodPlan | None, str]:
    """Return the plan to go by, the next one, and why."""
    house = next(
        (plan for plan in plans.plans if plan.title == model.house_method and plan.is_feasible), None
    )
    if house is None or house == plans.best:
        return plans.best, plans.runner_up, plans.difference
    if plans.best is not None and plans.best.reaches_target and not house.reaches_target:
        return plans.best, house, f"The house's choice, {house.title}, does not reach the target."
    return house, plans.best, f"{house.title.capitalize()} is this house's choice."


def _kit_line(part: KitPart) -> KitLine | None:
    name = part.replaced_by or part.part
    every = part.every_nth_service
    if part.condition == KitPart.Condition.METHOD:
        return KitLine(name, part.quantity, part.measured_in, method=part.condition_value, every_nth=every)
    if part.condition == KitPart.Condition.SEAL:
        return KitLine(name, part.quantity, part.measured_in, plug_seal=part.condition_value, every_nth=every)
    is_filter = part.condition == KitPart.Condition.FILTER
    return KitLine(name, part.quantity, part.measured_in, every_nth=every, is_filter=is_filter)
