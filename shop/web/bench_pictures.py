"""Pictures of share, drain, sump and steps: curves, bands and marks on measured scales."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from intervals.exchange.sequence import SequenceRun
from shop.selectors.bench import Bench
from shop.selectors.bench_level import DrainShown
from shop.selectors.bench_stages import StagePlan
from shop.web.bench_scales import (
    BOTTOM,
    LEFT,
    LETTER_GAP,
    RIGHT,
    TOP,
    Place,
    Tick,
    apart,
    path_of,
    scale_of,
    ticks_of,
)

LETTERS = "ABCDEFGHJKLMNP"
ROW_WIDTH, LETTER_WIDTH = 172.0, 5.6
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
    name: "Name"


@dataclass(frozen=True, slots=True)
class Name:
    """Where the method's name stands: beside a single dot, else in a row of its own with a sample of its line."""

    x: float
    y: float
    words: str
    is_row: bool
    is_to_the_left: bool


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


def share_picture(bench: Bench) -> SharePicture:
    """Place the curves of all methods."""
    end_l = max([one.band.litres[-1] for one in bench.curves] + [bench.subject.card.total_fill_l])
    x, y = scale_of(0.0, end_l, LEFT, RIGHT), scale_of(0.0, 1.0, BOTTOM, TOP)
    wanted = [y(one.band.best[-1]) for one in bench.curves]
    letters_y = apart(wanted)
    paths = [
        [(x(v), y(share)) for v, share in zip(one.band.litres, one.band.best, strict=True)]
        for one in bench.curves
    ]
    names = _names([one.title for one in bench.curves], paths)
    lines = []
    for place, one in enumerate(bench.curves):
        points = paths[place]
        is_dots = len(points) <= 6
        last_x = points[-1][0]
        is_ending_right = last_x > RIGHT - 20.0
        lines.append(
            Line(
                LETTERS[place],
                one.title,
                path_of(points) if len(points) > 1 else "",
                tuple(points) if is_dots else (),
                last_x + (7.0 if is_ending_right else -11.0),
                letters_y[place] if is_ending_right else points[-1][1] - 9.0,
                one.is_chosen,
                place,
                names[place],
            )
        )
    chosen = bench.chosen
    band, low = _band(bench, x, y)
    point = (
        (x(min(chosen.new_fluid_l, end_l)), y(chosen.fresh_share))
        if chosen.new_fluid_l is not None and chosen.fresh_share is not None
        else None
    )
    shares = tuple(Tick(y(v / 100), f"{v}") for v in range(0, 101, 20))
    return SharePicture(
        tuple(lines),
        band,
        low,
        y(bench.plans.target_share),
        point,
        ticks_of(0.0, end_l, x, 4),
        shares,
    )


def _band(bench: Bench, x: Place, y: Place) -> tuple[str, str]:
    """Return the band of the method looked at and its cautious line; empty for one without."""
    banded = next((one.band for one in bench.curves if one.is_chosen and len(one.band.litres) > 6), None)
    if banded is None:
        return "", ""
    upper = [(x(v), y(s)) for v, s in zip(banded.litres, banded.most, strict=True)]
    lower = [(x(v), y(s)) for v, s in zip(banded.litres, banded.least, strict=True)]
    low = path_of([(x(v), y(s)) for v, s in zip(banded.litres, banded.low, strict=True)])
    return path_of(upper + lower[::-1]) + "Z", low


def _names(titles: Sequence[str], paths: Sequence[Sequence[tuple[float, float]]]) -> list[Name]:
    """Name single dots on the spot, curves in rows under them at the right, or above them where there is no room."""
    rows = [place for place, points in enumerate(paths) if len(points) > 1]
    rows.sort(key=lambda place: paths[place][-1][1])
    left = RIGHT - ROW_WIDTH
    under = max((at_y for place in rows for at_x, at_y in paths[place] if at_x >= left - 20.0), default=TOP)
    first_x, first_y = left, under + 24.0
    if first_y + LETTER_GAP * (len(rows) - 1) > BOTTOM - 6.0:
        first_x, first_y = LEFT + 10.0, TOP + 16.0
    names = []
    for place, (title, points) in enumerate(zip(titles, paths, strict=True)):
        words = title.replace(" + cooler-line exchange", " + cooler line").replace(
            " + machine exchange", " + machine"
        )
        if place in rows:
            names.append(Name(first_x, first_y + LETTER_GAP * rows.index(place), words, True, False))
            continue
        at_x, at_y = points[0]
        has_room = at_x - 22.0 - LETTER_WIDTH * len(words) > LEFT + 4.0
        names.append(
            Name(at_x - 22.0, at_y - 9.0, words, False, True)
            if has_room
            else Name(at_x + 9.0, at_y + 8.0, words, False, False)
        )
    return names


def drain_picture(drain: DrainShown) -> CurvePicture | None:
    """Place the drain curve on a logarithmic scale of time; None when there is none."""
    if not drain.minutes:
        return None
    log_x = scale_of(0.0, math.log10(drain.minutes[-1]), LEFT, RIGHT)

    def x(minutes: float) -> float:
        return log_x(math.log10(min(max(minutes, drain.minutes[0]), drain.minutes[-1])))

    top_l = drain.litres[-1] * 1.08
    y = scale_of(0.0, top_l, BOTTOM, TOP)
    points = [(x(t), y(v)) for t, v in zip(drain.minutes, drain.litres, strict=True)]
    area = path_of([(LEFT, BOTTOM), *points, (points[-1][0], BOTTOM)]) + "Z"
    stop, at = drain.stop_waiting_min, drain.at_min
    return CurvePicture(
        path_of(points),
        area,
        (x(stop), y(drain.stop_waiting_l)) if stop is not None and drain.stop_waiting_l is not None else None,
        (x(at), y(drain.at_l)) if at is not None and drain.at_l is not None else None,
        tuple(Tick(x(t), words) for t, words in DRAIN_TICKS.items()),
        ticks_of(0.0, top_l, y),
    )


def sump_picture(stages: StagePlan) -> SumpPicture | None:
    """Place the sump's level over the stages; None when it is not known."""
    if stages.sump_l is None or stages.floor_l is None or stages.pickup_l is None or not stages.steps:
        return None
    count = len(stages.steps)
    x, y = scale_of(0.0, float(count), LEFT, RIGHT), scale_of(0.0, stages.sump_l * 1.1, BOTTOM, TOP)
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
    area = path_of([*points, (points[-1][0], BOTTOM), (LEFT, BOTTOM)]) + "Z"
    return SumpPicture(
        path_of(points), area, y(stages.floor_l), y(stages.pickup_l), tuple(lows), tuple(steps),
        ticks_of(0.0, stages.sump_l * 1.1, y),
    )  # fmt: skip


def sequence_picture(run: SequenceRun | None) -> SequencePicture | None:
    """Place the fresh share after each step as bars; None when nothing was asked or it is refused."""
    if run is None or not run.rows:
        return None
    count = len(run.rows)
    x, y = scale_of(0.0, float(count), LEFT, RIGHT), scale_of(0.0, 1.0, BOTTOM, TOP)
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
    return SequencePicture(bars, steps, ticks_of(0.0, 100.0, scale_of(0.0, 100.0, BOTTOM, TOP)))
