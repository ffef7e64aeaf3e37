"""When to call the collector for used oil and the other waste streams, and whether the litres add up."""

from dataclasses import dataclass
from datetime import date, timedelta
from math import floor, isfinite, sqrt
from typing import Literal

FULL_SHARE = 0.9
"""A tank counts as full at this share of its capacity. Common practice, no source."""

CallState = Literal["call today", "call by", "not filling", "cannot say"]


@dataclass(frozen=True, slots=True)
class WasteState:
    """What to do about one waste tank.

    call_level_l: level at which to call. call_by: day on which that level is reached at the mean rate.
    """

    state: CallState
    call_level_l: float | None
    call_by: date | None
    reason: str


@dataclass(frozen=True, slots=True)
class MassBalance:
    """Litres that should have been collected against litres that were.

    gap_l: expected less collected. gap_share: gap over expected. is_to_look_at: the gap passes the limit.
    """

    gap_l: float
    gap_share: float
    is_to_look_at: bool


def call_level_l(
    capacity_l: float, mean_per_day_l: float, sd_per_day_l: float, lead_days: float, z: float = 1.645
) -> float:
    """Level at which the collector must be called so that the tank does not fill before he comes.

    `level = 0.9*capacity - mean*lead - z*sd*sqrt(lead)`, the reorder point of stock keeping turned upside
    down.

    capacity_l: brim litres. mean_per_day_l, sd_per_day_l: litres a day and their spread. lead_days: call to
    visit. z: normal quantile; 1.645 leaves a chance of 5 % of running full. Returns litres; below zero when
    the tank is too small for the lead. Raises ValueError for a capacity, rate, spread or lead below zero.
    """
    if not (capacity_l > 0 and mean_per_day_l >= 0 and sd_per_day_l >= 0 and lead_days >= 0):
        raise ValueError(
            "A tank's capacity is above 0 L; rate, spread and lead are 0 or more. Correct the tank."
        )
    return FULL_SHARE * capacity_l - mean_per_day_l * lead_days - z * sd_per_day_l * sqrt(lead_days)


def call_by(
    level_l: float | None,
    capacity_l: float | None,
    mean_per_day_l: float | None,
    sd_per_day_l: float | None,
    lead_days: float,
    today: date,
    z: float = 1.645,
) -> WasteState:
    """Say when to call the collector for a tank.

    level_l: litres in it now. The rest as in `call_level_l`; None means not known. today: the day the level
    is of. Returns a WasteState; a figure that is not known gives `cannot say`.
    """
    figures = {
        "level": level_l,
        "capacity": capacity_l,
        "litres a day": mean_per_day_l,
        "spread": sd_per_day_l,
    }
    unknown = [name for name, value in figures.items() if value is None or not isfinite(value)]
    if level_l is None or capacity_l is None or mean_per_day_l is None or sd_per_day_l is None or unknown:
        return WasteState(
            "cannot say", None, None, f"Not known: {', '.join(unknown)}. Dip the tank and enter it."
        )
    call_at_l = call_level_l(capacity_l, mean_per_day_l, sd_per_day_l, lead_days, z)
    if level_l >= call_at_l:
        reason = f"{level_l:.0f} L in the tank, call level {call_at_l:.0f} L."
        if call_at_l <= 0:
            reason += " The tank is too small for the collector's lead: ask for fixed visits."
        return WasteState("call today", call_at_l, today, reason)
    room_l = call_at_l - level_l
    if mean_per_day_l == 0:
        return WasteState(
            "not filling", call_at_l, None, f"{room_l:.0f} L below the call level, nothing coming in."
        )
    day = today + timedelta(days=floor(room_l / mean_per_day_l))
    reason = f"{room_l:.0f} L below the call level of {call_at_l:.0f} L at {mean_per_day_l:.3g} L a day."
    return WasteState("call by", call_at_l, day, reason)


def mass_balance(expected_l: float, collected_l: float, limit_share: float = 0.10) -> MassBalance | None:
    """Compare a month's collected waste with what the closed jobs should have sent there.

    `gap = expected - collected`; a gap beyond the limit either way is looked at: leak, wrong stream, unbooked
    fill.

    expected_l: litres, zero or more. collected_l: litres, corrected for the change of level in the tank; below
    zero when a dip took away more than came. limit_share: share of expected. Returns None when nothing was
    expected: a share of nothing cannot be said. Raises ValueError for litres that cannot be.
    """
    if not (expected_l >= 0 and isfinite(collected_l)):
        raise ValueError(
            "Litres expected are 0 or more, those collected a number; correct the month's figures."
        )
    if expected_l == 0:
        return None
    gap_l = expected_l - collected_l
    share = gap_l / expected_l
    return MassBalance(gap_l, share, abs(share) > limit_share)
