"""What lies over a due state without changing it: must not move, on hold, after season, leaving."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from intervals.due import STATES
from shop.models import Job, Recall, Season, Vehicle
from shop.selectors.due import AFTER_SEASON, LEAVING, MUST_NOT_MOVE, ON_HOLD, OVERLAYS
from shop.selectors.holds import HoldFact, holds_in_force, holds_on
from shop.selectors.recalls import recalled_vehicles
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


def overlay_bits(
    as_of: date, lines: Mapping[str, npt.NDArray[np.float64]], carriers: Collection[int]
) -> npt.NDArray[np.float64]:
    """Return what lies over lines given in columns: the sum of ``2**place`` over their overlays' places in OVERLAYS.

    carriers: the vehicles to look at, from `may_carry_overlays`.
    """
    bits = np.zeros(len(lines["unit_id"]))
    touched = set(carriers) & {int(pk) for pk in np.unique(lines["vehicle_id"])} if carriers else set()
    if not touched:
        return bits
    vehicles = Vehicle.objects.select_related("season").in_bulk(touched)
    facts = OverlayFacts.gather(as_of, touched)
    for row in np.flatnonzero(np.isin(lines["vehicle_id"], list(touched))):
        found = facts.of(
            int(lines["unit_id"][row]),
            int(lines["rule_id"][row]),
            vehicles[int(lines["vehicle_id"][row])],
            STATES[int(lines["state"][row])],
        )
        bits[row] = sum(1 << OVERLAYS.index(name) for name in found)
    return bits


def may_carry_overlays(as_of: date) -> set[int]:
    """Return the vehicles with a no-touch season, a leaving day, work begun, a hold, or a recall that is about them."""
    # Each by its own index: either or, or in the order of their numbers, all vehicles would be read.
    any_order = Vehicle.objects.order_by()
    found: set[int] = set(any_order.filter(leaves_on__isnull=False).values_list("pk", flat=True))
    no_touch = list(Season.objects.filter(is_no_touch=True).values_list("pk", flat=True))
    found.update(any_order.filter(season__in=no_touch).values_list("pk", flat=True))
    found.update(Job.objects.filter(state__in=Job.MUST_NOT_MOVE).values_list("vehicle", flat=True))
    found.update(holds_in_force(as_of).values_list("vehicle", flat=True))
    recalls = list(Recall.objects.filter(from_day__lte=as_of).values_list("pk", flat=True))
    found.update(recalled_vehicles(recalls))
    return found
