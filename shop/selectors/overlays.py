"""What lies over a due state without changing it: must not move, on hold, after season, leaving."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db.models import Q

from shop.models import Hold, Job, Vehicle
from shop.selectors.due import AFTER_SEASON, LEAVING, MUST_NOT_MOVE, ON_HOLD
from shop.selectors.seasons import is_in_season

LEAVING_WITHIN_DAYS = 60
"""A vehicle that leaves sooner gets only safety and contract work. House default."""


@dataclass(frozen=True, slots=True)
class OverlayFacts:
    """Open work and holds of some vehicles on a day."""

    as_of: date
    units_open: frozenset[int]
    holds: dict[int, list[Hold]]

    @classmethod
    def gather(cls, as_of: date, vehicle_pks: Collection[int]) -> "OverlayFacts":
        """Read the open jobs and the holds that count on a day."""
        units_open = frozenset(
            Job.objects.filter(vehicle__in=vehicle_pks, state__in=Job.MUST_NOT_MOVE).values_list(
                "unit", flat=True
            )
        )
        holds: dict[int, list[Hold]] = defaultdict(list)
        for hold in Hold.objects.filter(vehicle__in=vehicle_pks, from_day__lte=as_of).filter(
            Q(until__isnull=True) | Q(until__gt=as_of)
        ):
            holds[hold.vehicle_id].append(hold)
        return cls(as_of, units_open, holds)

    def of(self, unit_pk: int, vehicle: Vehicle, state: str) -> list[str]:
        """Return the overlays of one unit's line; a line with nothing to do carries only must not move."""
        found = [MUST_NOT_MOVE] if unit_pk in self.units_open else []
        if state == "not yet":
            return found
        if any(hold.unit_id in (None, unit_pk) for hold in self.holds.get(vehicle.pk, [])):
            found.append(ON_HOLD)
        season = vehicle.season
        if season is not None and season.is_no_touch and is_in_season(season, self.as_of):
            found.append(AFTER_SEASON)
        if vehicle.leaves_on is not None and (vehicle.leaves_on - self.as_of).days <= LEAVING_WITHIN_DAYS:
            found.append(LEAVING)
        return found
