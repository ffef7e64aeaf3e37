"""Geometry of the small pictures: where lines, bars and marks sit. Numbers in, coordinates out."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

SCALE_END_SHARE = 1.3
"""The right end of a scale: 130 % of the interval; what is further over sits at the end."""

SQUEEZED_SHARE, SQUEEZED_WIDTH = 0.8, 0.35
"""A small gauge draws the first 80 % of the interval on 35 % of its width, so that the window can be read."""

STRIP_WIDTH = 1000
GAUGE_WIDTH = 160


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of a horizontal bar."""

    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """A service window on a scale from nothing used to 130 %.

    used: bar from zero to where the unit stands. window: from opening to late. opens_x, due_x, late_x: its marks.
    marker_x: where it stands, None when that cannot be said. is_off_scale: it stands beyond the right end.
    break_x: where the squeezed part of the scale ends, None on an even scale. ticks: every 5 % of an even scale.
    """

    width: int
    used: Span
    window: Span
    opens_x: float
    due_x: float
    late_x: float
    marker_x: float | None
    is_off_scale: bool
    break_x: float | None
    ticks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """One parcel of fluid in the unit: its piece of the bar, its share and its age, None when not known."""

    span: Span
    share: float
    is_fresh: bool
    age_days: float | None


@dataclass(frozen=True, slots=True)
class TankBar:
    """A waste tank lying on its side: level and the mark at which to call the collector."""

    level: Span
    call_x: float | None


def strip(used_share: float | None, opens_share: float, late_share: float) -> Gauge:
    """Place a service window on a wide even scale; arguments as for `gauge`."""
    return _placed(used_share, opens_share, late_share, STRIP_WIDTH, is_squeezed=False)


def gauge(used_share: float | None, opens_share: float, late_share: float) -> Gauge:
    """Place a service window on a small scale whose uneventful first part is squeezed.

    used_share: share of the interval used, None when it cannot be said. opens_share, late_share: where the window
    opens and where it is late, in shares of the interval.
    """
    return _placed(used_share, opens_share, late_share, GAUGE_WIDTH, is_squeezed=True)


def _placed(
    used_share: float | None, opens_share: float, late_share: float, width: int, *, is_squeezed: bool
) -> Gauge:
    def x(share: float) -> float:
        inside = min(max(share, 0.0), SCALE_END_SHARE)
        if not is_squeezed:
            return round(width * inside / SCALE_END_SHARE, 2)
        if inside <= SQUEEZED_SHARE:
            return round(width * SQUEEZED_WIDTH * inside / SQUEEZED_SHARE, 2)
        beyond = (inside - SQUEEZED_SHARE) / (SCALE_END_SHARE - SQUEEZED_SHARE)
        return round(width * (SQUEEZED_WIDTH + (1.0 - SQUEEZED_WIDTH) * beyond), 2)

    known = used_share if used_share is not None and math.isfinite(used_share) else None
    return Gauge(
        width=width,
        used=Span(0.0, x(known) if known is not None else 0.0),
        window=Span(x(opens_share), round(x(late_share) - x(opens_share), 2)),
        opens_x=x(opens_share),
        due_x=x(1.0),
        late_x=x(late_share),
        marker_x=x(known) if known is not None else None,
        is_off_scale=known is not None and known > SCALE_END_SHARE,
        break_x=x(SQUEEZED_SHARE) if is_squeezed else None,
        ticks=() if is_squeezed else tuple(x(step / 20) for step in range(27)),
    )


def parcel_parts(parcels: Sequence[Mapping[str, Any]], width: int = STRIP_WIDTH) -> tuple[Part, ...]:
    """Lay the parcels of a fill side by side, the oldest on the left.

    parcels: `share` and `age_days` of each, oldest last; age 0 is the new fluid of the last job, no age is not known.
    """
    parts: list[Part] = []
    x = 0.0
    for parcel in reversed(parcels):
        share, age_days = float(parcel["share"]), parcel.get("age_days")
        parts.append(Part(Span(round(x, 2), round(share * width, 2)), share, age_days == 0, age_days or None))
        x += share * width
    return tuple(parts)


def share_parts(fresh_share: float | None, width: int = STRIP_WIDTH) -> tuple[Part, ...]:
    """Lay old and new fluid side by side when only the fresh share is known; nothing when it is not."""
    if fresh_share is None:
        return ()
    old = round((1.0 - fresh_share) * width, 2)
    parts = (
        Part(Span(0.0, old), 1.0 - fresh_share, False, None),
        Part(Span(old, round(width - old, 2)), fresh_share, True, 0.0),
    )
    return tuple(part for part in parts if part.span.width > 0.0)


@dataclass(frozen=True, slots=True)
class ShareBar:
    """A share on a scale from none to all, with the ends of its range."""

    share_x: float
    range: Span


def share_bar(seen: Any, width: int = GAUGE_WIDTH) -> ShareBar | None:
    """Draw a share on time with its range; nothing without an order."""
    if seen.on_time_share is None:
        return None
    low, high = round(seen.low_share * width, 2), round(seen.high_share * width, 2)
    return ShareBar(round(seen.on_time_share * width, 2), Span(low, round(high - low, 2)))


def tank_bar(
    level_l: float, capacity_l: float, call_level_l: float | None, width: int = GAUGE_WIDTH
) -> TankBar:
    """Draw a tank's level, and its call level when that can be said and lies inside the tank."""

    def x(litres: float) -> float:
        return round(width * min(max(litres / capacity_l, 0.0), 1.0), 2)

    return TankBar(Span(0.0, x(level_l)), None if call_level_l is None else x(call_level_l))
