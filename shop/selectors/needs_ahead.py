"""Which jobs will take which product in which of the weeks ahead."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import date, timedelta

import numpy as np

from intervals.due import probability_due_by
from shop.planning.weeks import FloatArray, JobAhead, chances_by_week, week_of
from shop.selectors.core_inputs import CoreInputs
from shop.selectors.lines_ahead import ahead_of_objects
from shop.selectors.needs import LEAST_CHANCE, Candidate, candidates_of
from shop.selectors.what_if import share_of


def jobs_by_week(
    as_of: date, depot_pks: Collection[int], begins: Sequence[date]
) -> tuple[dict[int, list[JobAhead]], dict[int, list[str]]]:
    """Return product → the jobs of the weeks ahead, and product → units whose litres cannot be said, with the reason.

    A unit's next job comes as surely by each week as it falls due by then, not before it can be booked; those after it
    on the day its clocks say, at the mean use ahead. Units in one vehicle whose windows are open are done together.
    Vehicles on hold or leaving are left out.

    begins: first day of each week (`planning.weeks.week_begins`).
    """
    days = (begins[-1] + timedelta(days=6) - as_of).days
    inputs, found = candidates_of(as_of, depot_pks, defaultdict(lambda: days))
    coming = [own for own in found if not own.is_put_off or own.put_off_until is not None]
    by_end = _chances_by_end(inputs, coming, as_of, begins)
    later = _later_jobs(inputs, coming, days)
    jobs: dict[int, list[JobAhead]] = defaultdict(list)
    unplanned: dict[int, list[str]] = defaultdict(list)
    for own in coming:
        if own.litres is None:
            unplanned[own.product_pk].append(f"{own.label}: {own.plan.cannot_say}")
            continue
        share = own.turns_up_share * own.passes_gate_share
        first_week = week_of(max(own.needed_on, own.put_off_until or own.needed_on), begins)
        chances = [chances_by_week(by_end[own.row], first_week, share)]
        for day in later.get(own.row, ()):
            again = np.zeros(len(begins))
            again[week_of(as_of + timedelta(days=day), begins)] = share
            chances.append(again)
        jobs[own.product_pk].extend(
            JobAhead(own.label, own.plan.unit.code, own.litres, own.litres_sd, one)
            for one in chances
            if one.sum() >= LEAST_CHANCE
        )
    return dict(jobs), dict(unplanned)


def _chances_by_end(
    inputs: CoreInputs, coming: Sequence[Candidate], as_of: date, begins: Sequence[date]
) -> dict[int, FloatArray]:
    """Return row → (T,) the chance that it is due by the end of each week; sure is what is booked or begun."""
    ends = [*begins[1:], begins[-1] + timedelta(days=7)]
    chances = np.stack(
        [
            np.nan_to_num(
                probability_due_by(inputs.distance, inputs.hours, inputs.time, float((end - as_of).days - 1))
            )
            for end in ends
        ],
        axis=1,
    ) if len(inputs.lines) else np.zeros((0, len(begins)))  # fmt: skip
    together: dict[int, FloatArray] = {}
    for own in coming:
        if own.chance_due >= 1.0:
            chances[own.row] = 1.0
        if own.is_in_window:
            held = together.get(own.vehicle.pk)
            together[own.vehicle.pk] = (
                chances[own.row] if held is None else np.maximum(held, chances[own.row])
            )
    return {own.row: together[own.vehicle.pk] if own.is_in_window else chances[own.row] for own in coming}


def _later_jobs(inputs: CoreInputs, coming: Sequence[Candidate], days: int) -> dict[int, list[int]]:
    """Return row → the days, from today, of the jobs after its next one."""
    plans = {own.row: own.plan for own in coming}
    shares = [share_of(plans[row]) if row in plans else 1.0 for row in range(len(inputs.lines))]
    found = ahead_of_objects(inputs).jobs(np.array(shares, dtype=np.float64), days)
    by_row: dict[int, list[int]] = defaultdict(list)
    for row, day in zip(found.lines.tolist(), found.days.tolist(), strict=True):
        by_row[row].append(day)
    return {row: sorted(own)[1:] for row, own in by_row.items() if row in plans}
