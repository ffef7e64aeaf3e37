"""Working off units of unknown history beside the ordinary jobs: how many weeks, and which unit in which week.

``weeks = ceil(n / (capacity - normal))``: only what the ordinary jobs leave over works the queue off.
"""

import math
from typing import Final

from intervals.errors import QuantityError

_DUST: Final = 1e-9


def spare_per_week(capacity_per_week: float, normal_per_week: float) -> float:
    """Return the jobs a week left over by the ordinary ones; zero when there are none.

    Raises:
        QuantityError: a figure is below zero or no number.
    """
    for figure in (capacity_per_week, normal_per_week):
        if not (math.isfinite(figure) and figure >= 0):
            raise QuantityError(f"{figure:g} jobs a week is not usable. Allowed: zero or more.")
    return max(capacity_per_week - normal_per_week, 0.0)


def catch_up_weeks(units: int, capacity_per_week: float, normal_per_week: float) -> int | None:
    """Return the weeks until every unit of the queue is done; None when they are never caught up.

    Args:
        units: units in the queue.
        capacity_per_week: jobs a week that can be done in all.
        normal_per_week: jobs a week that fall due anyway.
    """
    if units <= 0:
        return 0
    return week_of(units - 1, capacity_per_week, normal_per_week)


def week_of(place: int, capacity_per_week: float, normal_per_week: float) -> int | None:
    """Return the week, from 1, in which the unit at a place of the queue is done, from 0; None when never."""
    spare = spare_per_week(capacity_per_week, normal_per_week)
    if spare <= _DUST:
        return None
    return math.ceil((place + 1) / spare - _DUST)
