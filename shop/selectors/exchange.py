"""A unit's card from its figures, and the exchange plan that follows from it."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from django.db.models import Q

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, check_card, plan_exchange
from intervals.exchange.methods import ExchangePlans, MethodPlan
from intervals.exchange.plan_spread import PlanSpread, plan_spread
from shop.models import CardFigure, CardProposal, KitPart, LastService, Unit, UnitModel
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
    first. runner_up: what would come next. spreads: by title, how sure share and litres of each plan that can be done
    are. cannot_say: why there is no plan, empty when there is one.
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
    spreads: Mapping[str, PlanSpread] = field(default_factory=dict)

    @property
    def spread(self) -> PlanSpread | None:
        """How sure the best plan's share and litres are; None without a plan."""
        return self.spreads.get(self.best.title) if self.best is not None else None


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


def plans_for_units(
    units: Collection[Unit], target_share: float | None = None, *, has_parts: bool = True
) -> dict[int, UnitPlan]:
    """Return the exchange plan of each unit; units of one card share the arithmetic.

    target_share: fresh share to reach, above 0 and below 1; None takes the unit model's, else the house's.
    has_parts: False leaves out the parts, where only litres and shares are shown.
    """
    figures = figures_in_force(units)
    kits: dict[int, list[KitPart]] = defaultdict(list)
    learned = learned_sds(units, figures)
    services = dict.fromkeys((unit.pk for unit in units), 1)
    if has_parts:
        _count_kits(units, kits, services)
    made: dict[tuple[object, ...], UnitPlan] = {}
    plans = {}
    for unit in units:
        key = (
            unit.unit_model_id, services[unit.pk], *(own.pk for own in figures[unit.pk])
        )  # fmt: skip
        if key not in made:
            made[key] = _plan(
                unit, figures[unit.pk], kits[unit.unit_model_id], services[unit.pk], target_share,
                tuple(sorted(learned.get(unit.unit_model_id, {}).items())),
            )  # fmt: skip
        plans[unit.pk] = _for(unit, made[key])
    return plans


def _for(unit: Unit, plan: UnitPlan) -> UnitPlan:
    if plan.unit.pk == unit.pk:
        return plan
    values = {name: getattr(plan, name) for name in UnitPlan.__slots__}
    return UnitPlan(**(values | {"unit": unit}))


def _count_kits(units: Collection[Unit], kits: dict[int, list[KitPart]], services: dict[int, int]) -> None:
    """Fill in the kit of each unit model and which service of its unit comes next."""
    for part in KitPart.objects.filter(unit_model__in={unit.unit_model_id for unit in units}):
        kits[part.unit_model_id].append(part)
    for unit_pk in LastService.objects.filter(unit__in=units, subject="fluid").values_list("unit", flat=True):
        services[unit_pk] += 1


def learned_sds(
    units: Collection[Unit], figures: Mapping[int, Collection[CardFigure]]
) -> dict[int, dict[str, float]]:
    """Return the standard deviation of each learned figure in force, in its own unit: unit model → card field → sd."""
    models = {
        unit.unit_model_id for unit in units if any(figure.source == "learned" for figure in figures[unit.pk])
    }
    found: dict[int, dict[str, float]] = defaultdict(dict)
    if not models:
        return found
    accepted = CardProposal.objects.filter(unit_model__in=models, state=CardProposal.State.ACCEPTED)
    for own in accepted.order_by("decided_at", "pk"):
        # Litres are learned at 15 °C and stand on the card at 20 °C; their spread grows alike.
        found[own.unit_model_id][FIGURE_FIELDS.get(own.figure, own.figure)] = (
            own.sd * own.card_value / own.value
        )
    return found


def _plan(
    unit: Unit,
    figures: list[CardFigure],
    kit: list[KitPart],
    service_number: int,
    target_share: float | None,
    learned: tuple[tuple[str, float], ...],
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
        in_force = {name for name, source in card.sources.items() if source == "learned"}
        own_sds = tuple(pair for pair in learned if pair[0] in in_force)
        spreads = {plan.title: _plan_spread(card, plan, own_sds) for plan in plans.plans if plan.is_feasible}
    except (HatchmarkError, ValueError) as error:
        return UnitPlan(unit, target, figures=figures, cannot_say=str(error))
    cannot_say = "" if best else plans.difference
    return UnitPlan(unit, target, card, plans, best, runner_up, choice, parts, figures, cannot_say, spreads)


@lru_cache(maxsize=512)
def _plan_spread(card: UnitCard, plan: MethodPlan, learned: tuple[tuple[str, float], ...]) -> PlanSpread:
    """Return the spread of a plan; the units of a fleet share few cards."""
    return plan_spread(card, plan, dict(learned))


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
