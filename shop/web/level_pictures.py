"""Pictures of levels: a container's weeks ahead, months of a balance. Numbers in, coordinates out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from shop.planning.waste_level import LevelAhead
from shop.web.bench_scales import BOTTOM, LEFT, RIGHT, TOP, Tick, path_of, scale_of, ticks_of


@dataclass(frozen=True, slots=True)
class LevelPicture:
    """Level against weeks: the range at the rate, its middle, the jobs due alone, brim and call level."""

    band: str
    path: str
    jobs_path: str
    brim_y: float
    call_y: float | None
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


def level_picture(
    at_rate: Sequence[LevelAhead],
    by_jobs: Sequence[LevelAhead],
    capacity_l: float,
    call_level_l: float | None,
) -> LevelPicture:
    """Place the weeks ahead; what would stand above the brim is drawn at the top edge, not beyond it."""
    top_l = capacity_l * 1.1
    x = scale_of(0.0, float(max(1, len(at_rate) - 1)), LEFT, RIGHT)
    y = scale_of(0.0, top_l, BOTTOM, TOP)

    def at(week: int, litres: float) -> tuple[float, float]:
        return x(float(week)), y(min(max(litres, 0.0), top_l))

    upper = [at(week, own.high_l) for week, own in enumerate(at_rate)]
    lower = [at(week, own.low_l) for week, own in enumerate(at_rate)]
    return LevelPicture(
        band=path_of([*upper, *reversed(lower)]) + "Z",
        path=path_of([at(week, own.mean_l) for week, own in enumerate(at_rate)]),
        jobs_path=path_of([at(week, own.mean_l) for week, own in enumerate(by_jobs)]),
        brim_y=y(capacity_l),
        call_y=None if call_level_l is None or not 0 <= call_level_l <= capacity_l else y(call_level_l),
        x_ticks=tuple(
            Tick(x(float(week)), f"{own.day.day} {own.day:%b}" if week % 2 == 0 else "")
            for week, own in enumerate(at_rate)
        ),
        y_ticks=ticks_of(0.0, top_l, y),
    )


@dataclass(frozen=True, slots=True)
class MonthBars:
    """One month: two bars side by side, None where a figure is not known, and where its name stands."""

    left_x: float
    right_x: float
    width: float
    left_y: float | None
    right_y: float | None
    middle_x: float
    words: str
    is_to_look_at: bool


@dataclass(frozen=True, slots=True)
class MonthsPicture:
    """Months side by side on one scale of litres."""

    bars: tuple[MonthBars, ...]
    y_ticks: tuple[Tick, ...]
    floor_y: float = BOTTOM


def months_picture(
    months: Sequence[tuple[date, float | None, float | None, bool]],
) -> MonthsPicture:
    """Place for each month two amounts of litres; the flag marks a month to look at."""
    most = max((value for _, *pair, _ in months for value in pair if value is not None), default=0.0)
    high = most * 1.1 if most > 0 and math.isfinite(most) else 1.0
    y = scale_of(0.0, high, BOTTOM, TOP)
    step = (RIGHT - LEFT) / max(1, len(months))
    width = round(min(24.0, step * 0.36), 2)
    bars = []
    for place, (month, left, right, flag) in enumerate(months):
        middle = LEFT + step * (place + 0.5)
        bars.append(
            MonthBars(
                round(middle - width - 1, 2), round(middle + 1, 2), width,
                None if left is None else y(max(left, 0.0)), None if right is None else y(max(right, 0.0)),
                round(middle, 2), f"{month:%b}", flag,
            )
        )  # fmt: skip
    return MonthsPicture(tuple(bars), ticks_of(0.0, high, y))
