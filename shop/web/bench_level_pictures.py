"""Pictures of the level and the first pour: the stick, the standpipe, the litre scale."""

import math
from dataclasses import dataclass

from shop.selectors.bench_level import FirstPour, StickScale
from shop.web.bench_scales import BOTTOM, LEFT, RIGHT, TOP, WIDTH, Tick, path_of, scale_of, step_of, ticks_of


@dataclass(frozen=True, slots=True)
class StickPicture:
    """A dipstick on its side: temperatures where a right fill stands, millimetres beneath, a reading judged."""

    temps: tuple[Tick, ...]
    millimetres: tuple[Tick, ...]
    small: tuple[float, ...]
    zero_x: float
    reading_x: float | None
    right_x: float | None
    excess_x: float
    excess_width: float


@dataclass(frozen=True, slots=True)
class PipePicture:
    """What a level set by the standpipe leaves, against its temperature, with the window in which it counts."""

    path: str
    zero_y: float
    window_x: float
    window_width: float
    here: tuple[float, float] | None
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class PourPicture:
    """The last part of the pour on a litre scale: first fill, guard, need and its spread."""

    fill_width: float
    guard_x: float
    guard_width: float
    need_x: float
    spread_x: float
    spread_width: float
    ticks: tuple[Tick, ...]


def stick_picture(stick: StickScale) -> StickPicture | None:
    """Lay the stick on its side; None when its scale is not known."""
    if not stick.offsets_mm:
        return None
    shown = [v for v in (*stick.offsets_mm, stick.reading_mm) if v is not None]
    low, high = min(shown), max(shown)
    room = 0.06 * (high - low)
    x = scale_of(low - room, high + room, 8.0, WIDTH - 8.0)
    step = step_of(high - low, 8)
    marks = [v * step for v in range(math.ceil((low - room) / step), math.floor((high + room) / step) + 1)]
    temps, last = [], -math.inf
    for temp, offset in zip(stick.temps_c, stick.offsets_mm, strict=True):
        wide_enough = x(offset) - last >= 24.0
        temps.append(Tick(x(offset), f"{temp:g}°" if wide_enough else ""))
        last = x(offset) if wide_enough else last
    small = tuple(
        x(v + step * part / 5) for v in marks for part in range(5) if v + step * part / 5 <= high + room
    )
    reading, right = stick.reading_mm, stick.right_mm
    reading_x = x(reading) if reading is not None else None
    right_x = x(right) if right is not None else None
    between = abs(reading_x - right_x) if reading_x is not None and right_x is not None else 0.0
    return StickPicture(
        tuple(temps), tuple(Tick(x(v), f"{v:g}".replace("-", "−")) for v in marks), small, x(0.0), reading_x, right_x,
        min(reading_x or 0.0, right_x or 0.0), round(between, 2),
    )  # fmt: skip


def pipe_picture(stick: StickScale, reading_c: float | None) -> PipePicture | None:
    """Place the error of a standpipe level over temperature; None without a window."""
    low_c, high_c = stick.window_low_c, stick.window_high_c
    if not stick.pipe_temps_c or low_c is None or high_c is None:
        return None
    temps, errors = stick.pipe_temps_c, stick.pipe_errors_ml
    low, high = min(*errors, 0.0), max(*errors, 0.0)
    room = 0.08 * (high - low)
    x, y = scale_of(temps[0], temps[-1], LEFT + 8.0, RIGHT), scale_of(low - room, high + room, BOTTOM, TOP)
    here = None
    if reading_c is not None and temps[0] <= reading_c <= temps[-1]:
        below = max(place for place, temp in enumerate(temps[:-1]) if temp <= reading_c)
        way = (reading_c - temps[below]) / (temps[below + 1] - temps[below])
        here = (x(reading_c), y(errors[below] + way * (errors[below + 1] - errors[below])))
    return PipePicture(
        path_of([(x(temp), y(error)) for temp, error in zip(temps, errors, strict=True)]), y(0.0), x(low_c),
        round(x(high_c) - x(low_c), 2), here, ticks_of(temps[0], temps[-1], x), ticks_of(low - room, high + room, y),
    )  # fmt: skip


def pour_picture(pour: FirstPour) -> PourPicture | None:
    """Place first fill, guard and need; None when they are not known."""
    if pour.first_fill_l is None or pour.need_l is None or pour.u_l is None:
        return None
    reach_l = max(3.0 * pour.u_l, 1.3 * abs(pour.need_l - pour.first_fill_l), 0.1)
    low_l = max(0.0, pour.need_l - 1.6 * reach_l)
    x = scale_of(low_l, pour.need_l + reach_l, 8.0, WIDTH - 8.0)
    first_x, need_x = x(pour.first_fill_l), x(pour.need_l)
    spread_x = x(max(low_l, pour.need_l - 2 * pour.u_l))
    return PourPicture(
        round(first_x - 8.0, 2), min(first_x, need_x), round(abs(need_x - first_x), 2), need_x, spread_x,
        round(x(pour.need_l + 2 * pour.u_l) - spread_x, 2), ticks_of(low_l, pour.need_l + reach_l, x, 5),
    )  # fmt: skip
