"""What lies over a due state without changing it: must not move, on hold, after season, leaving."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from shop.models import Job, Vehicle
from shop.selectors.due import AFTER_SEASON, LEAVING, MUST_NOT_MOVE, ON_HOLD
from shop.selectors.holds import HoldFact, holds_on
from shop.selectors.seasons import is_in_season

LEAVING_WITHIN_DAYS = 60
"""A vehicle that leaves sooner gets only safety and contract work. House default."""


@dataclass(frozen=True, slots=True)
class OverlayFacts:
    """Open work and holds of some vehicles on a day."""

    as_of: date
    units_open: frozenset[int]
    holds: dict[int, list[HoldFact]]

    @classmethod
    def gather(cls, as_of: date, vehicle_pks: Collection[int]) -> "OverlayFacts":
        """Read the open jobs and the holds that count on a day."""
        units_open = frozenset(
            Job.objects.filter(vehicle__in=vehicle_pks, state__in=Job.MUST_NOT_MOVE).values_list(
                "unit", flat=True
            )
        )
        return cls(as_of, units_open, holds_on(as_of, vehicle_pks))

    def of(self, unit_pk: int, rule_pk: int, vehicle: Vehicle, state: str) -> list[str]:
        """Return the overlays of one line; one with nothing to do carries only must not move.

        A stop-drive recall lies over every line of its vehicle: it must not move, and nothing else is done on it.
        """
        holds = [hold for hold in self.holds.get(vehicle.pk, ()) if hold.covers(unit_pk, rule_pk)]
        is_stopped = any(hold.is_stop_drive for hold in holds)
        found = [MUST_NOT_MOVE] if is_stopped or unit_pk in self.units_open else []
        if is_stopped or (holds and state != "not yet"):
            found.append(ON_HOLD)
        if state == "not yet":
            return found
        season = vehicle.season
        if season is not None and season.is_no_touch and is_in_season(season, self.as_of):
            found.append(AFTER_SEASON)
        if vehicle.leaves_on is not None and (vehicle.leaves_on - self.as_of).days <= LEAVING_WITHIN_DAYS:
            found.append(LEAVING)
        return found
