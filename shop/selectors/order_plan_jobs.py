"""The jobs behind an order plan, by name."""

from collections.abc import Sequence
from dataclasses import dataclass

from shop.models import Fitting
from shop.planning.weeks import JobsByWeek

MOST_SHOWN = 100
"""So many jobs of a product are shown one by one, the others counted."""


@dataclass(frozen=True, slots=True)
class JobShown:
    """One job that was counted, and the chance that it comes within the plan."""

    unit_code: str
    label: str
    litres: float
    chance: float


def jobs_shown(jobs: JobsByWeek) -> tuple[JobShown, ...]:
    """Return the first jobs, as they come."""
    units = jobs.unit[:MOST_SHOWN].astype(int).tolist()
    called, chances = _called(units), jobs.chances[:MOST_SHOWN].sum(axis=1).tolist()
    return tuple(
        JobShown(*called[unit], litres, chance)
        for unit, litres, chance in zip(units, jobs.litres.tolist(), chances, strict=False)
    )


def unplanned_shown(unplanned: Sequence[tuple[int, str]]) -> tuple[str, ...]:
    """Say of the first units that were not counted why. unplanned: key and reason of each."""
    called = _called([unit for unit, _ in unplanned[:MOST_SHOWN]])
    return tuple(f"{called[unit][1]}: {why}" for unit, why in unplanned[:MOST_SHOWN])


def _called(units: Sequence[int]) -> dict[int, tuple[str, str]]:
    """Return key of a unit → its code, and the vehicle it is fitted in with its position."""
    fitted = Fitting.objects.filter(unit__in=units, removed_on__isnull=True).select_related("unit", "vehicle")
    return {own.unit_id: (own.unit.code, f"{own.vehicle.number} {own.position}") for own in fitted}


def names_of(units: Sequence[int]) -> list[str]:
    """Return what the units of some keys are called: their vehicle and their place in it."""
    called = _called(units)
    return [called[unit][1] for unit in units]
