"""The jobs behind an order plan, by name."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shop.models import Fitting
from shop.planning.weeks import JobsByWeek
from shop.selectors.needs_ahead import ProductAhead

MOST_SHOWN = 100
"""So many jobs of a product are shown one by one, the others counted."""


@dataclass(frozen=True, slots=True)
class JobShown:
    """One job that was counted, and the chance that it comes within the plan."""

    unit_code: str
    label: str
    litres: float
    chance: float


class UnitsCalled:
    """What some units are called, by their keys; one query.

    codes: of the units. labels: number of the vehicle each is fitted in, with its place there.
    """

    def __init__(self, units: Iterable[int]) -> None:
        fitted = Fitting.objects.filter(unit__in=set(units), removed_on__isnull=True)
        rows = fitted.values_list("unit", "unit__code", "vehicle__number", "position")
        self.codes: dict[int, str] = {}
        self.labels: dict[int, str] = {}
        for unit, code, number, position in rows:
            self.codes[unit], self.labels[unit] = code, f"{number} {position}"


def units_shown(ahead: ProductAhead) -> list[int]:
    """Return the keys of the units whose jobs are shown, and of those told not to be counted."""
    jobs = ahead.jobs.unit[:MOST_SHOWN].astype(int).tolist()
    return [*jobs, *(unit for unit, _ in ahead.unplanned[:MOST_SHOWN])]


def jobs_shown(jobs: JobsByWeek, called: UnitsCalled) -> tuple[JobShown, ...]:
    """Return the first jobs, as they come."""
    units = jobs.unit[:MOST_SHOWN].astype(int).tolist()
    chances = jobs.chances[:MOST_SHOWN].sum(axis=1).tolist()
    return tuple(
        JobShown(called.codes[unit], called.labels[unit], litres, chance)
        for unit, litres, chance in zip(units, jobs.litres.tolist(), chances, strict=False)
    )


def unplanned_shown(unplanned: Sequence[tuple[int, str]], called: UnitsCalled) -> tuple[str, ...]:
    """Say of the first units that were not counted why. unplanned: key and reason of each."""
    return tuple(f"{called.labels[unit]}: {why}" for unit, why in unplanned[:MOST_SHOWN])
