"""Geometry of the bench's pictures: measured scales, curves, bands and marks. Numbers in, coordinates out."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from intervals.exchange.sequence import SequenceRun
from shop.selectors.bench import Bench
from shop.selectors.bench_level import DrainShown, FirstPour, StickScale
from shop.selectors.bench_stages import StagePlan

WIDTH, HEIGHT = 420, 270
LEFT, RIGHT, TOP, BOTTOM = 38.0, 396.0, 12.0, 232.0
LETTERS = "ABCDEFGHJKLMNP"
LETTER_GAP = 13.0
DRAIN_TICKS = {
    1: "1 min",
    5: "5",
    10: "10",
    30: "30",
    60: "1 h",
    120: "2",
    240: "4",
    480: "8",
    960: "16",
    2880: "48",
}

Place = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled mark on a scale."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Line:
    """One method: its path, or its dot when it is a single drain, and its letter."""

    letter: str
    title: str
    path: str
    dots: tuple[tuple[float, float], ...]
    letter_x: float
    letter_y: float
    is_chosen: bool
    dash: int


@dataclass(frozen=True, slots=True)
class SharePicture:
    """Share against litres for every method, the band of the chosen one, target and chosen point."""

    lines: tuple[Line, ...]
    band: str
    low: str
    target_y: float
    chosen: tuple[float, float] | None
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class CurvePicture:
    """One curve on measured scales with a mark for waiting no longer and one for the hour asked."""

    path: str
    area: str
    stop: tuple[float, float] | None
    at: tuple[float, float] | None
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class SumpPicture:
    """The sump rising and falling over the stages, above the floor the pump needs."""

    path: str
    area: str
    floor_y: float
    pickup_y: float
    lows: tuple[Tick, ...]
    steps: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """One upright bar with its words on top."""

    x: float
    y: float
    width: float
    height: float
    words: str

    @property
    def middle_x(self) -> float:
        """Where its words stand."""
        return round(self.x + self.width / 2.0, 2)


@dataclass(frozen=True, slots=True)
class SequencePicture:
    """The fresh share after each step of a sequence."""

    bars: tuple[Bar, ...]
    steps: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


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
class PourPicture:
    """The last part of the pour on a litre scale: first fill, guard, need and its spread."""

    fill_width: float
    guard_x: float
    guard_width: float
    need_x: float
    spread_x: float
    spread_width: float
    ticks: tuple[Tick, ...]


def share_picture(bench: Bench) -> SharePicture:
    """Place the curves of all methods."""
    end_l = max([one.band.litres[-1] for one in bench.curves] + [bench.subject.card.total_fill_l])
    x, y = _scale(0.0, end_l, LEFT, RIGHT), _scale(0.0, 1.0, BOTTOM, TOP)
    wanted = [y(one.band.best[-1]) for one in bench.curves]
    letters_y = _apart(wanted)
    lines = []
    for place, one in enumerate(bench.curves):
        points = [(x(v), y(share)) for v, share in zip(one.band.litres, one.band.best, strict=True)]
        is_dots = len(points) <= 6
        last_x = points[-1][0]
        is_ending_right = last_x > RIGHT - 20.0
        lines.append(
            Line(
                LETTERS[place],
                one.title,
                _path(points) if len(points) > 1 else "",
                tuple(points) if is_dots else (),
                last_x + (7.0 if is_ending_right else -11.0),
                letters_y[place] if is_ending_right else points[-1][1] - 9.0,
                one.is_chosen,
                place,
            )
        )
    chosen = bench.chosen
    banded = next((one.band for one in bench.curves if one.is_chosen and len(one.band.litres) > 6), None)
    band = low = ""
    if banded is not None:
        upper = [(x(v), y(s)) for v, s in zip(banded.litres, banded.most, strict=True)]
        lower = [(x(v), y(s)) for v, s in zip(banded.litres, banded.least, strict=True)]
        band = _path(upper + lower[::-1]) + "Z"
        low = _path([(x(v), y(s)) for v, s in zip(banded.litres, banded.low, strict=True)])
    point = (
        (x(min(chosen.new_fluid_l, end_l)), y(chosen.fresh_share))
        if chosen.new_fluid_l is not None and chosen.fresh_share is not None
        else None
    )
    shares = tuple(Tick(y(v / 100), f"{v}") for v in range(0, 101, 20))
    return SharePicture(
        tuple(lines), band, low, y(bench.plans.target_share), point, _ticks(0.0, end_l, x, 4), shares
    )


def drain_picture(drain: DrainShown) -> CurvePicture | None:
    """Place the drain curve on a logarithmic scale of time; None when there is none."""
    if not drain.minutes:
        return None
    log_x = _scale(0.0, math.log10(drain.minutes[-1]), LEFT, RIGHT)

    def x(minutes: float) -> float:
        return log_x(math.log10(min(max(minutes, drain.minutes[0]), drain.minutes[-1])))

    top_l = drain.litres[-1] * 1.08
    y = _scale(0.0, top_l, BOTTOM, TOP)
    points = [(x(t), y(v)) for t, v in zip(drain.minutes, drain.litres, strict=True)]
    area = _path([(LEFT, BOTTOM), *points, (points[-1][0], BOTTOM)]) + "Z"
    stop, at = drain.stop_waiting_min, drain.at_min
    return CurvePicture(
        _path(points),
        area,
        (x(stop), y(drain.stop_waiting_l)) if stop is not None and drain.stop_waiting_l is not None else None,
        (x(at), y(drain.at_l)) if at is not None and drain.at_l is not None else None,
        tuple(Tick(x(t), words) for t, words in DRAIN_TICKS.items()),
        _ticks(0.0, top_l, y),
    )


def sump_picture(stages: StagePlan) -> SumpPicture | None:
    """Place the sump's level over the stages; None when it is not known."""
    if stages.sump_l is None or stages.floor_l is None or stages.pickup_l is None or not stages.steps:
        return None
    count = len(stages.steps)
    x, y = _scale(0.0, float(count), LEFT, RIGHT), _scale(0.0, stages.sump_l * 1.1, BOTTOM, TOP)
    points = [(x(0.0), y(stages.sump_l))]
    lows, steps = [], []
    for place, step in enumerate(stages.steps):
        after_l = step.sump_after_l or 0.0
        points += [
            (x(place + 0.12), y(stages.sump_l)),
            (x(place + 0.6), y(after_l)),
            (x(place + 0.9), y(stages.sump_l)),
        ]
        if count <= 8:
            lows.append(Tick(x(place + 0.6), f"{after_l:.1f}"))
        if count <= 12 or place % math.ceil(count / 12) == 0:
            steps.append(Tick(x(place + 0.5), str(place + 1)))
    points.append((x(float(count)), y(stages.sump_l)))
    area = _path([*points, (points[-1][0], BOTTOM), (LEFT, BOTTOM)]) + "Z"
    return SumpPicture(
        _path(points), area, y(stages.floor_l), y(stages.pickup_l), tuple(lows), tuple(steps),
        _ticks(0.0, stages.sump_l * 1.1, y),
    )  # fmt: skip


def sequence_picture(run: SequenceRun | None) -> SequencePicture | None:
    """Place the fresh share after each step as bars; None when nothing was asked or it is refused."""
    if run is None or not run.rows:
        return None
    count = len(run.rows)
    x, y = _scale(0.0, float(count), LEFT, RIGHT), _scale(0.0, 1.0, BOTTOM, TOP)
    width = round((RIGHT - LEFT) / count * 0.7, 2)
    bars = tuple(
        Bar(
            x(place + 0.15),
            y(row.fresh_share),
            width,
            round(BOTTOM - y(row.fresh_share), 2),
            f"{row.fresh_share:.0%}",
        )
        for place, row in enumerate(run.rows)
    )
    steps = tuple(Tick(x(place + 0.5), str(place + 1)) for place in range(count))
    return SequencePicture(bars, steps, _ticks(0.0, 100.0, _scale(0.0, 100.0, BOTTOM, TOP)))


def stick_picture(stick: StickScale) -> StickPicture | None:
    """Lay the stick on its side; None when its scale is not known."""
    if not stick.offsets_mm:
        return None
    shown = [v for v in (*stick.offsets_mm, stick.reading_mm) if v is not None]
    low, high = min(shown), max(shown)
    room = 0.06 * (high - low)
    x = _scale(low - room, high + room, 8.0, WIDTH - 8.0)
    step = _step(high - low, 8)
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


def pour_picture(pour: FirstPour) -> PourPicture | None:
    """Place first fill, guard and need; None when they are not known."""
    if pour.first_fill_l is None or pour.need_l is None or pour.u_l is None:
        return None
    reach_l = max(3.0 * pour.u_l, 1.3 * abs(pour.need_l - pour.first_fill_l), 0.1)
    low_l = max(0.0, pour.need_l - 1.6 * reach_l)
    x = _scale(low_l, pour.need_l + reach_l, 8.0, WIDTH - 8.0)
    first_x, need_x = x(pour.first_fill_l), x(pour.need_l)
    spread_x = x(max(low_l, pour.need_l - 2 * pour.u_l))
    return PourPicture(
        round(first_x - 8.0, 2), min(first_x, need_x), round(abs(need_x - first_x), 2), need_x, spread_x,
        round(x(pour.need_l + 2 * pour.u_l) - spread_x, 2), _ticks(low_l, pour.need_l + reach_l, x, 5),
    )  # fmt: skip


def _scale(low: float, high: float, start: float, end: float) -> Place:
    span = high - low or 1.0

    def place(value: float) -> float:
        return round(start + (end - start) * (value - low) / span, 2)

    return place


def _step(span: float, most: int) -> float:
    """Return the finest of 1, 2, 5 times a power of ten that needs no more than `most` steps."""
    base = 10.0 ** math.floor(math.log10(max(span, 1e-6) / most))
    return next(base * step for step in (1, 2, 5, 10) if span / (base * step) <= most + 1e-9)


def _ticks(low: float, high: float, place: Place, parts: int = 1) -> tuple[Tick, ...]:
    """Return labelled marks on round figures, each step cut into `parts` by marks without words."""
    step = _step(high - low, 9)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    digits = max(0, -math.floor(math.log10(step)))
    return tuple(
        Tick(place(n * step / parts), "" if n % parts else f"{n * step / parts:.{digits}f}")
        for n in range(first * parts, last * parts + 1)
    )


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x} {y}" for x, y in points)


def _apart(wanted: Sequence[float]) -> list[float]:
    """Move labels just so far apart that none covers another, in the order they have."""
    order = sorted(range(len(wanted)), key=lambda place: wanted[place])
    placed = [0.0] * len(wanted)
    for above, here in pairwise([None, *order]):
        placed[here] = wanted[here] if above is None else max(wanted[here], placed[above] + LETTER_GAP)
    return placed
