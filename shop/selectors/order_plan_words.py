"""The sentences of an order plan."""

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from shop.planning.lot_sizing import FloatArray, Lot
from shop.planning.order_plan import OrderPlan, RoomPlan
from shop.planning.weeks import JobsByWeek

LIKELY = 0.5
"""From this chance on a job is named as waiting for a lot. House default."""

MOST_NAMED = 4
"""So many jobs are named, the others counted."""

SHARED_FROM_WEEKS = 2
"""A lot that is needed so many weeks after it comes was put into an order that goes out anyway. House default."""


def short_day(day: date) -> str:
    """Write a day without its year."""
    return f"{day.day} {day:%b}"


def why_lot(
    lot: Lot,
    lots: Sequence[Lot],
    lacking_l: FloatArray,
    shelf_l: FloatArray,
    waiting: Sequence[int],
    names: Mapping[int, str],
    begins: Sequence[date],
) -> str:
    """Say which week would be short without a lot, for which jobs, and how long it lasts.

    lots: all of the fluid. lacking_l: (T,) litres required beyond what is at hand, without any lot. shelf_l: (T,) what
    stands there after each week. waiting: keys of the units that wait for it (`waits_for`). names: of the first of
    them. begins: first day of each week.
    """
    short, until = _short_weeks(lot, lots, lacking_l)
    without_l = _without(lot, lots, lacking_l)
    is_last = until == len(begins)
    said = []
    if short:
        likely = _named(waiting, names)
        short_l = float(without_l[short[0]])
        said.append(
            f"without it {f'{short_l:.1f}' if short_l >= 0.05 else 'less than 0.1'} L short in the week of "
            f"{short_day(begins[short[0]])}" + (f", for {likely}" if likely else "")
        )
        if short[0] - lot.week >= SHARED_FROM_WEEKS:
            said.append("comes early because the order goes out anyway")
    ends = f"to {short_day(begins[until])}" if not is_last else "to the end of the plan"
    said.append(f"lasts {ends}, with {max(0.0, float(shelf_l[until - 1])):.1f} L then left")
    if lot.is_over_limit:
        said.append("the smallest packs go beyond room or life")
    text = "; ".join(said) + "."
    return text[0].upper() + text[1:]


def waits_for(lot: Lot, lots: Sequence[Lot], lacking_l: FloatArray, jobs: JobsByWeek) -> list[int]:
    """Return the units whose jobs are likely between the week that would be short without a lot and the next lot."""
    short, until = _short_weeks(lot, lots, lacking_l)
    if not short:
        return []
    is_likely = jobs.chances[:, short[0] : until].sum(axis=1) >= LIKELY
    return list(dict.fromkeys(jobs.unit[is_likely].astype(int).tolist()))


def _without(lot: Lot, lots: Sequence[Lot], lacking_l: FloatArray) -> FloatArray:
    return lacking_l - sum(own.litres for own in lots if own.week < lot.week)


def _short_weeks(lot: Lot, lots: Sequence[Lot], lacking_l: FloatArray) -> tuple[list[int], int]:
    """Return the weeks that would be short without a lot, and the week of the next lot, or that after the last."""
    without_l = _without(lot, lots, lacking_l)
    short = [week for week in range(lot.week, len(lacking_l)) if without_l[week] > 1e-6]
    return short, min((own.week for own in lots if own.week > lot.week), default=len(lacking_l))


def _named(waiting: Sequence[int], names: Mapping[int, str]) -> str:
    told = ", ".join(names[unit] for unit in waiting[:MOST_NAMED])
    return told + (f" and {len(waiting) - MOST_NAMED} more" if len(waiting) > MOST_NAMED else "")


def plan_words(plan: OrderPlan, weeks: int, currency: str) -> str:
    """Say how many orders a plan has, what they cost, and how much less any plan could cost."""
    if not plan.orders:
        return f"Nothing has to be ordered in the next {weeks} weeks."
    left = plan.cost - plan.bound
    proof = (
        "proved: no plan costs less"
        if left < 0.005
        else f"proved: no plan saves more than {left:,.2f} of it ({plan.gap:.1%})".replace(",", "\u202f")
    )
    spent = f"{plan.spent:,.0f} {currency}".rstrip().replace(",", "\u202f")
    number = f"{len(plan.orders)} order{'s' if len(plan.orders) != 1 else ''}"
    return f"{number} in {weeks} weeks, {spent} for packs, orders and freight; {proof}."


def room_words(room: RoomPlan, begins: Sequence[date]) -> str:
    """Say whether a shared room is kept, and where not, in which week and by how many litres."""
    over_l, fullest = room.over_l, int(np.argmax(room.full_l))
    most = f"at most {room.full_l[fullest]:.0f} L, in the week of {short_day(begins[fullest])}"
    if not over_l.any():
        return f"{room.most_l:g} L may stand in it; {most}."
    worst = int(np.argmax(over_l))
    said = f"{over_l[worst]:.1f} L too many in the week of {short_day(begins[worst])}"
    weeks = int((over_l > 0).sum())
    said += f", the worst of {weeks} weeks" if weeks > 1 else ""
    least_l = float(room.unavoidable_l[worst])
    if least_l >= over_l[worst] - 0.05:
        why = "even with the least stock"
    elif least_l > 0:
        why = f"{least_l:.1f} L of it even with the least stock; for the rest no plan was found that fits"
    else:
        why = "no plan was found that fits, though one may exist"
    return f"{room.most_l:g} L may stand in it; {said}, {why}. Move some of it, or order later by hand."


def fluid_words(
    taken_l: float, at_hand_l: float, bought_l: float, unmet_l: FloatArray, begins: Sequence[date]
) -> str:
    """Say what a fluid takes, has and buys, and what nobody can bring in time."""
    said = f"{taken_l:.0f} L taken on average, {at_hand_l:.0f} L at hand or on the way"
    said += f", {bought_l:.0f} L to buy." if bought_l else ": that will do."
    unmet = [week for week, litres in enumerate(unmet_l) if litres > 0.05]
    if not unmet:
        return said
    after = unmet[-1] + 1
    until = f"until {short_day(begins[after])}" if after < len(begins) else "for all of it"
    return f"{said} {unmet_l[unmet[-1]]:.1f} L may be short {until}: nobody delivers sooner."


def against_words(
    code: str, asked_l: float, days: int, planned_l: float | None, order_by: date | None
) -> str:
    """Say how the plan's first lot differs from today's ordering list; empty where it does not."""
    asked = f"{code}: the list asks {asked_l:g} L for the next {days} days"
    if planned_l is None or order_by is None:
        return f"{asked}, the plan none: by the week, each job counts only where it falls."
    if abs(planned_l - asked_l) <= 0.05:
        return ""
    return (
        f"{asked}, the plan {planned_l:g} L by {short_day(order_by)}: it weighs all weeks, what the next order costs "
        "and what keeping costs."
    )
