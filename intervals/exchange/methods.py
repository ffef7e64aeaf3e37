"""From a target share to a plan: method, stages, litres, hours, cost, and the reasons.

Every allowed method gives a plan. One that cannot be done is listed with its reason instead of a number.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from intervals.errors import QuantityError
from intervals.exchange.card import UnitCard, check_card
from intervals.exchange.catalogue import (
    METHODS,
    REPEATED,
    TYPICAL_HOURS,
    TYPICAL_SHARES,
    Method,
    MethodCosts,
    TypicalShare,
    WorkHours,
    cost_per_1000_km,
    job_cost,
    usual_purge_hold_up_l,
    work_hours,
)
from intervals.exchange.starts import (
    COOLER_LINE,
    DRAIN,
    MACHINE,
    OVERNIGHT,
    START_NONE,
    START_OVERNIGHT,
    START_QUICK,
)
from intervals.exchange.yields import YIELDS, Obstacle, Yield, obstacle_to, starts_of

__all__ = [
    "METHODS",
    "TYPICAL_HOURS",
    "TYPICAL_SHARES",
    "ExchangePlans",
    "Method",
    "MethodCosts",
    "MethodPlan",
    "TypicalShare",
    "WorkHours",
    "plan_exchange",
]

REASON_ASKED_ABOVE = 0.85


@dataclass(frozen=True, slots=True)
class MethodPlan:
    """One method for one unit; a plan that is not feasible has no shares, litres or cost, only its reason."""

    method: str
    start: str
    is_feasible: bool
    reaches_target: bool
    reason: str
    sentence: str
    basis: str = ""
    fresh_share: float | None = None
    fresh_share_low: float | None = None
    new_fluid_l: float | None = None
    drained_l: float | None = None
    pushed_l: float | None = None
    stages: tuple[float, ...] = ()
    drains: int = 1
    purge_hold_up_l: float | None = None
    total_to_reserve_l: float | None = None
    cost: float | None = None
    cost_per_1000_km: float | None = None
    hands_on_h: float | None = None
    off_road_h: float | None = None

    @property
    def title(self) -> str:
        """Method with the drain before it, e.g. 'overnight drain + cooler-line exchange'."""
        has_drain = self.method in (COOLER_LINE, MACHINE) and self.start != START_NONE
        return f"{self.start} + {self.method}" if has_drain else self.method


@dataclass(frozen=True, slots=True)
class ExchangePlans:
    """All plans of a unit, the best first choice, the runner-up and what separates them."""

    target_share: float
    plans: tuple[MethodPlan, ...]
    best: MethodPlan | None
    runner_up: MethodPlan | None
    difference: str
    reaches_target: bool
    is_reason_asked: bool


def plan_exchange(
    card: UnitCard,
    allowed_methods: Iterable[str],
    target_share: float,
    purge_hold_up_l: float | None = None,
    missing_on_arrival_l: float = 0.0,
    night_is_free: bool = True,
    costs: MethodCosts | None = None,
    *,
    blocked: Mapping[str, str] | None = None,
    hours: Mapping[tuple[str, str], WorkHours] = TYPICAL_HOURS,
) -> ExchangePlans:
    """Plan every allowed method to a target share and rank the plans.

    Litres are the fewest whose cautious share reaches the target. Ranking: cost per 1 000 km when costs are
    given, else hours off the road, then litres; when nothing reaches the target, the freshest first.

    Args:
        card: the unit card.
        allowed_methods: names out of METHODS.
        target_share: fresh share asked, above 0 and below 1.
        purge_hold_up_l: litres for purge and pack hold-up; None takes the usual.
        missing_on_arrival_l: litres low on arrival: needed, but not exchanged.
        night_is_free: vehicle and bay are both free overnight.
        costs: rates, or None.
        blocked: method or start -> sentence why it cannot be done today (frost, debris, thermostat shut).
        hours: hours per method and start.

    Returns:
        The plans, best first, those that cannot be done last.

    Raises:
        CardError: a card that contradicts itself.
        QuantityError: an unknown method, or a target or litres out of range.
    """
    check_card(card)
    names = tuple(dict.fromkeys(allowed_methods))
    unknown = [name for name in names if name not in METHODS]
    if unknown:
        raise QuantityError(f"Unknown method '{unknown[0]}'; allowed are {', '.join(METHODS)}.")
    if not 0.0 < target_share < 1.0:
        raise QuantityError(
            f"A target share of {target_share:g} must lie above 0 and below 1; no method gives all new."
        )
    for litres in (purge_hold_up_l, missing_on_arrival_l):
        if litres is not None and not 0.0 <= litres < math.inf:
            raise QuantityError("Purge, hold-up and litres missing on arrival must be zero or more.")
    stops = {name: Obstacle("blocked", sentence) for name, sentence in (blocked or {}).items()}
    if not night_is_free:
        stops.setdefault(
            OVERNIGHT, Obstacle("night_not_free", "Vehicle and bay are not both free overnight.")
        )
    plans = []
    for method in names:
        for start in starts_of(card, method):
            result = obstacle_to(card, method, start, stops) or YIELDS[method](
                card, method, start, target_share
            )
            plan = _plan(method, start, result, target_share, card)
            plans.append(_priced(plan, purge_hold_up_l, missing_on_arrival_l, costs, hours))
    plans.sort(key=lambda plan: _rank(plan, costs is not None))
    feasible = [plan for plan in plans if plan.is_feasible]
    best = feasible[0] if feasible else None
    rivals = [
        plan for plan in feasible[1:] if best is not None and plan.reaches_target == best.reaches_target
    ]
    runner_up = rivals[0] if rivals else None
    return ExchangePlans(
        target_share, tuple(plans), best, runner_up, _difference(best, runner_up),
        best is not None and best.reaches_target, target_share > REASON_ASKED_ABOVE,
    )  # fmt: skip


def _plan(method: str, start: str, result: Yield | Obstacle, target: float, card: UnitCard) -> MethodPlan:
    if isinstance(result, Obstacle):
        return MethodPlan(method, start, False, False, result.reason, result.sentence)
    reaches = result.low >= target
    plan = MethodPlan(
        method, start, True, reaches, "ok" if reaches else "below_target", "", result.basis, result.share,
        result.low, result.drained_l + result.pushed_l, result.drained_l, result.pushed_l, result.stages,
        result.drains,
    )  # fmt: skip
    return replace(plan, sentence=_sentence(plan, result, target, card))


def _sentence(plan: MethodPlan, result: Yield, target: float, card: UnitCard) -> str:
    pieces = []
    if result.drains > 1:
        pieces.append(f"{result.drains} × {result.drained_l / result.drains:.1f} L")
    elif result.drained_l:
        pieces.append(f"{result.drained_l:.1f} L")
    if plan.method == COOLER_LINE and result.stages:
        pieces.append(f"{len(result.stages)} × {result.stages[0]:.2f} L")
    elif result.pushed_l:
        pieces.append(f"{result.pushed_l:.2f} L")
    total_l = result.drained_l + result.pushed_l
    litres = (
        f"{' + '.join(pieces)} = {total_l:.1f} L"
        if len(pieces) > 1 or result.drains > 1
        else f"{total_l:.1f} L"
    )
    text = f"{plan.title.capitalize()}: {litres}, {result.share:.0%} fresh, {result.low:.0%} taken cautiously"
    if result.low < target:
        return f"{text}; below the {target:.0%} asked."
    if plan.method in (COOLER_LINE, MACHINE) and not result.pushed_l:
        return f"{text}; one drain is enough, nothing needs to be pushed through."
    if plan.method == COOLER_LINE and not card.has_compartments:
        return f"{text}. The stage limit is a guess until sump and pickup are on the unit card."
    return f"{text}."


def _priced(
    plan: MethodPlan,
    purge_hold_up_l: float | None,
    missing_l: float,
    costs: MethodCosts | None,
    hours: Mapping[tuple[str, str], WorkHours],
) -> MethodPlan:
    if plan.new_fluid_l is None or plan.pushed_l is None or plan.fresh_share is None:
        return plan
    is_exchange = plan.method in (COOLER_LINE, MACHINE) and plan.pushed_l > 0.0
    done = plan.method if is_exchange or plan.method not in (COOLER_LINE, MACHINE) else {
        START_QUICK: DRAIN, START_OVERNIGHT: OVERNIGHT}[plan.start]  # fmt: skip
    repeats = plan.drains if plan.method == REPEATED else 1
    work = work_hours(done, plan.start, plan.pushed_l, repeats, hours)
    purge_l = usual_purge_hold_up_l(plan.new_fluid_l) if purge_hold_up_l is None else purge_hold_up_l
    priced = replace(
        plan,
        purge_hold_up_l=purge_l,
        total_to_reserve_l=plan.new_fluid_l + purge_l + missing_l,
        hands_on_h=work.hands_on_h,
        off_road_h=work.off_road_h,
    )
    if costs is None:
        return priced
    cost = job_cost(costs, work, plan.new_fluid_l, done == MACHINE)
    return replace(
        priced, cost=cost, cost_per_1000_km=cost_per_1000_km(cost, plan.fresh_share, costs.limit_km)
    )


def _rank(plan: MethodPlan, has_costs: bool) -> tuple[float, ...]:
    if not plan.is_feasible:
        return (2.0,)
    price = (plan.cost_per_1000_km or 0.0,) if has_costs else ()
    is_simple = plan.method not in (COOLER_LINE, MACHINE)
    effort = (*price, plan.off_road_h or 0.0, plan.new_fluid_l or 0.0, 0.0 if is_simple else 1.0)
    return (0.0, *effort) if plan.reaches_target else (1.0, -(plan.fresh_share_low or 0.0), *effort)


def _difference(best: MethodPlan | None, other: MethodPlan | None) -> str:
    """One sentence on what the runner-up would cost or save against the best."""
    if best is None:
        return "No allowed method can be done; see the reason of each."
    if other is None:
        return "No second method compares with it."
    changes = []
    for name, unit, digits in (("new_fluid_l", "L new fluid", 1), ("off_road_h", "h off the road", 1),
                               ("cost_per_1000_km", "per 1 000 km", 2)):  # fmt: skip
        mine, theirs = getattr(best, name), getattr(other, name)
        if mine is None or theirs is None or abs(theirs - mine) < 0.5 * 10**-digits:
            continue
        changes.append(f"{abs(theirs - mine):.{digits}f} {unit} {'more' if theirs > mine else 'less'}")
    return f"Next comes {other.title}: {', '.join(changes) if changes else 'the same effort'}."
