"""Measured scales of the bench's pictures: places, ticks, paths. Numbers in, coordinates out."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

WIDTH, HEIGHT = 420, 270
LEFT, RIGHT, TOP, BOTTOM = 38.0, 396.0, 12.0, 232.0
LETTER_GAP = 13.0

Place = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled mark on a scale."""

    at: float
    words: str


def scale_of(low: float, high: float, start: float, end: float) -> Place:
    """Return where a value between low and high stands between start and end."""
    span = high - low or 1.0

    def place(value: float) -> float:
        return round(start + (end - start) * (value - low) / span, 2)

    return place


def step_of(span: float, most: int) -> float:
    """Return the finest of 1, 2, 5 times a power of ten that needs no more than `most` steps."""
    base = 10.0 ** math.floor(math.log10(max(span, 1e-6) / most))
    return next(base * step for step in (1, 2, 5, 10) if span / (base * step) <= most + 1e-9)


def ticks_of(low: float, high: float, place: Place, parts: int = 1) -> tuple[Tick, ...]:
    """Return labelled marks on round figures, each step cut into `parts` by marks without words."""
    step = step_of(high - low, 9)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    digits = max(0, -math.floor(math.log10(step)))
    return tuple(
        Tick(place(n * step / parts), "" if n % parts else f"{n * step / parts:.{digits}f}".replace("-", "−"))
        for n in range(first * parts, last * parts + 1)
    )


def path_of(points: Sequence[tuple[float, float]]) -> str:
    """Return points as the path of a picture."""
    return "M" + "L".join(f"{x} {y}" for x, y in points)


def apart(wanted: Sequence[float]) -> list[float]:
    """Move labels just so far apart that none covers another, in the order they have."""
    order = sorted(range(len(wanted)), key=lambda place: wanted[place])
    placed = [0.0] * len(wanted)
    for above, here in pairwise([None, *order]):
        placed[here] = wanted[here] if above is None else max(wanted[here], placed[above] + LETTER_GAP)
    return placed
