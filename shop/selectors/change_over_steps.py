"""What to rinse and the steps, with their days, of a change from one fluid to another."""

from collections.abc import Sequence
from datetime import date

from shop.models import Product
from shop.selectors.change_over_facts import ChangePlan, Rinse, Step
from shop.selectors.fluid_fit import STRENGTH_WORDS
from shop.selectors.fluid_use import UnitUse

PURGE_L = 0.2
"""New fluid that goes to waste through jug, funnel or hand pump at each change of fluid. Common practice, no source."""

HOSES_FROM_L, HOSES_TO_L = 0.5, 2.0
"""What the hoses of an exchange machine keep, by type. Common practice, no source."""

MACHINE = "machine exchange"
PURGE_FIGURE = "purge_hold_up_l"


def rinses_of(uses: Sequence[UnitUse], old: Product, hoses_l: float | None) -> tuple[Rinse, ...]:
    """Return what still holds the old fluid and how to get it out.

    uses: the units that change. hoses_l: what stays in an exchange machine's hoses; None is not known.
    """
    if not uses:
        return ()
    smallest = min((use.total_fill_l for use in uses if use.total_fill_l), default=None)
    purge_l = max((figure.value for use in uses for figure in use.figures if figure.figure == PURGE_FIGURE),
                  default=PURGE_L)  # fmt: skip
    found = [
        Rinse(
            "jug, funnel, hand pump, filling hose",
            purge_l,
            purge_l / smallest if smallest else None,
            f"drain and wipe; run the first {purge_l:g} L of the new fluid to the waste of {old.waste_stream}",
        )
    ]
    machine = sorted({use.unit.unit_model.code for use in uses if MACHINE in use.unit.unit_model.methods})
    if machine:
        filled = [
            use.total_fill_l for use in uses if use.unit.unit_model.code in machine and use.total_fill_l
        ]
        share = hoses_l / min(filled) if hoses_l is not None and filled else None
        known = (
            f"type what your machine's hoses keep to see its share; {HOSES_FROM_L:g} to {HOSES_TO_L:g} L are usual"
            if hoses_l is None
            else f"run {hoses_l:g} L or more of the new fluid through to waste, as the machine's maker says"
        )
        found.append(Rinse(f"exchange machine, used on {', '.join(machine)}", hoses_l, share, known))
    found.append(
        Rinse(
            "drum pump, tank line and meter",
            None,
            None,
            "keep one set for one fluid, or drain it, change its filter and run the line's own volume to waste",
        )
    )
    return tuple(found)


def steps_of(plan: ChangePlan) -> tuple[Step, ...]:
    """Return the steps in the order of their days."""
    if not plan.changing:
        return ()
    models = ", ".join(plan.changing)
    steps = [
        Step(
            plan.as_of,
            f"Get it in writing that {plan.new} may go into {models} and on top of {plan.old}: unit maker and fluid "
            f"supplier. On record: {'; '.join(plan.basis)}.",
        ),
        Step(plan.as_of, _stop_ordering(plan)),
    ]
    claimed = sorted({own.unit_model for own in plan.units if own.strength == STRENGTH_WORDS["claimed"]})
    if claimed:
        steps.append(
            Step(
                plan.as_of,
                f"{plan.new} is only claimed suitable for {', '.join(claimed)}: a named person has to approve it "
                "first.",
            )
        )
    if plan.order_by is not None:
        day = max(plan.order_by, plan.as_of)
        steps.append(Step(day, f"Order {plan.new} from {plan.supplier} by this day for the first job."))
    elif plan.first_new_on is not None:
        steps.append(Step(plan.as_of, f"No pack of {plan.new} with a price is on record: find who sells it."))
    if plan.first_new_on is not None:
        steps += _changing_day(plan, plan.first_new_on, models)
    steps += [
        Step(
            own.act_on,
            f"{own.litres:.1f} L of {plan.old} “{own.label}” at {own.depot} are over ({own.reason}): offer them "
            "back, move them to another depot, or write them off.",
        )
        for own in plan.left
    ]
    last_old = max((own.last_old_on for own in plan.shelves if own.last_old_on), default=None)
    if last_old is not None and not plan.stays:
        steps.append(
            Step(last_old, f"Last job with {plan.old}. Take its label down and clear its place on the shelf.")
        )
    return tuple(sorted(steps, key=lambda step: step.day))


def _stop_ordering(plan: ChangePlan) -> str:
    coming_l = sum(own.on_order_l for own in plan.shelves)
    coming = (
        f" {coming_l:g} L are on order: ask the supplier to take them off, or count them in."
        if coming_l
        else ""
    )
    if plan.stays:
        return f"Order {plan.old} only for {', '.join(plan.stays)}, which stay with it.{coming}"
    return f"Order no more {plan.old}.{coming}"


def _changing_day(plan: ChangePlan, day: date, models: str) -> list[Step]:
    steps = [
        Step(
            day,
            f"First job with {plan.new}: rinse jug, pump and hoses, hang up its label, and make it the product of "
            f"{models} (column product of unit_models.csv).",
        )
    ]
    new_units = {own.unit for own in plan.units if own.takes == plan.new}
    moved = [own for own in plan.reserved if own.unit in new_units]
    if moved:
        named = ", ".join(f"{own.unit} {own.litres:g} L" for own in moved)
        steps.append(Step(day, f"Change the reservations of jobs that take {plan.new} by now: {named}."))
    rinsed = sorted({own.unit for own in plan.units if own.rinse})
    if rinsed:
        steps.append(
            Step(day, f"Rinse fill first, by the maker's procedure, before {plan.new}: {', '.join(rinsed)}.")
        )
    return steps
