"""What doing the jobs of a change of fluid in a row saves in purge, yard by yard."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

from shop.models import Depot
from shop.planning.change_over import FillWithin, in_a_row
from shop.selectors.change_over_facts import FluidRow, JobInRow, PurgeSaved, UnitChange
from shop.selectors.fluid_use import UnitUse


def purges_of(
    uses: Sequence[UnitUse], units: Sequence[UnitChange], new: str, first_new_on: date | None
) -> tuple[PurgeSaved, ...]:
    """Return what each yard saves.

    A job may come forward to the day its window opens, not before the new fluid's first day, and is never put off; a
    booked day stays. Between two rows other fluids go through the line.
    """
    allowed = {use.unit.code: (use.depot, use.from_on) for use in uses}
    by_yard: dict[Depot, list[FillWithin]] = defaultdict(list)
    for own in units:
        depot, from_on = allowed[own.unit]
        if own.takes == new and own.next_on and from_on and first_new_on:
            earliest = min(max(from_on, first_new_on), own.next_on)
            by_yard[depot].append(FillWithin(own.unit, earliest, own.next_on))
    return tuple(_saved(depot, by_yard[depot]) for depot in sorted(by_yard, key=lambda own: own.code))


def _saved(depot: Depot, jobs: Sequence[FillWithin]) -> PurgeSaved:
    rows = tuple(
        FluidRow(last_day, tuple(JobInRow(job.label, job.planned, job.planned > last_day) for job in own))
        for last_day, own in in_a_row(jobs).items()
    )
    days = len({job.planned for job in jobs})
    per_unit_l = saved_l = None
    if depot.purge_l is not None:
        per_unit_l, saved_l = len(jobs) * depot.purge_l, (len(jobs) - len(rows)) * depot.purge_l
    told = _told(depot, len(jobs), days, len(rows), saved_l)
    return PurgeSaved(depot.code, depot.purge_l, len(jobs), days, per_unit_l, saved_l, rows, told)


def _told(depot: Depot, jobs: int, days: int, rows: int, saved_l: float | None) -> str:
    told = f"{depot.name}: {_of(jobs, 'job')} with the new fluid, {_of(days, 'purge')} by the days planned"
    if jobs == 1:
        return f"{told}; a single job has no other to go in a row with."
    if rows == jobs:
        return f"{told}; no two of them fit in a row, so none is saved."
    told += f", {rows} with jobs in a row"
    if saved_l is None:
        return f"{told}; litres cannot be said: type the yard's purge a change, purge_l in depots.csv."
    return f"{told}; {saved_l:.1f} L less to waste than with a purge for each unit."


def _of(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
