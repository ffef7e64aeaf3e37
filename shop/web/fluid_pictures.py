"""Geometry of the pictures of the fluid pages: what becomes what, and cost against litres. Numbers in, places out."""

from dataclasses import dataclass

from shop.selectors.fewest import Fewest
from shop.selectors.pack_choice import PackChoiceShown, SizeShown
from shop.web.bench_scales import Tick, apart, path_of, scale_of, ticks_of

MERGE_WIDTH, ROW, HALF_BOX = 420.0, 40.0, 14.0
LEFT_X, RIGHT_X, BOX_WIDTH = 10.0, 290.0, 120.0

LEFT, RIGHT, TOP, FLOOR = 44.0, 372.0, 18.0, 244.0


@dataclass(frozen=True, slots=True)
class Node:
    """A product in its box; y: the middle of it."""

    code: str
    words: str
    y: float
    top: float
    is_new: bool


@dataclass(frozen=True, slots=True)
class MergePicture:
    """Dropped products on the left, those that take over on the right, a line for each change."""

    height: float
    old: tuple[Node, ...]
    new: tuple[Node, ...]
    lines: tuple[str, ...]


def merge_picture(found: Fewest) -> MergePicture | None:
    """Lay the dropped products beside those that take over; None when nothing is dropped."""
    if not found.dropped:
        return None
    heirs: dict[str, list[int]] = {}
    for place, own in enumerate(found.dropped):
        for code in dict.fromkeys(move.new for move in own.moves):
            heirs.setdefault(code, []).append(place)

    def middle(place: float) -> float:
        return round(TOP + ROW * (place + 0.5), 2)

    old = tuple(
        _node(own.code, f"{own.litres_per_year:.0f} L a year", middle(place), is_new=False)
        for place, own in enumerate(found.dropped)
    )
    wanted = [sum(places) / len(places) for places in heirs.values()]
    places = _spread(wanted)
    new = tuple(
        _node(code, "new here" if code in found.added else "here already", middle(place), is_new=True)
        for code, place in zip(heirs, places, strict=True)
    )
    lines = tuple(
        path_of([(LEFT_X + BOX_WIDTH, old[place].y), (RIGHT_X, node.y)])
        for node, own in zip(new, heirs.values(), strict=True)
        for place in own
    )
    rows = max(len(old), max(places) + 1)
    return MergePicture(round(2 * TOP + ROW * rows, 2), old, new, lines)


def _spread(wanted: list[float]) -> list[float]:
    """Move rows down just so far that none covers another, in the order they have."""
    placed: list[float] = []
    for own in wanted:
        placed.append(own if not placed else max(own, placed[-1] + 1.0))
    return placed


def _node(code: str, words: str, y: float, *, is_new: bool) -> Node:
    return Node(code, words, y, round(y - HALF_BOX, 2), is_new)


@dataclass(frozen=True, slots=True)
class SizeLine:
    """One size: the stretch that does not empty it in time, the one that does, its name at the end."""

    slow: str
    steady: str
    name: str
    end_x: float
    end_y: float
    name_y: float
    is_best: bool


@dataclass(frozen=True, slots=True)
class Even:
    """The litres from which a size pays, at its place on the floor."""

    x: float
    words: str


@dataclass(frozen=True, slots=True)
class CostPicture:
    """Cost against litres a year: a line for each size, the litres of today, and where each size begins to pay."""

    lines: tuple[SizeLine, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    today_x: float
    best_y: float
    evens: tuple[Even, ...]


def cost_picture(shown: PackChoiceShown) -> CostPicture:
    """Draw the comparison; there is at least one size and a figure for the litres."""
    end_l = shown.rows[0].line[-1].litres
    most = 1.05 * max(point.cost for row in shown.rows for point in row.line)
    x = scale_of(0.0, end_l, LEFT, RIGHT)
    y = scale_of(0.0, most, FLOOR, TOP)
    name_ys = apart([y(row.line[-1].cost) for row in shown.rows])
    lines = []
    for row, name_y in zip(shown.rows, name_ys, strict=True):
        points = [(x(point.litres), y(point.cost)) for point in row.line]
        turn = _turn(row, end_l)
        lines.append(
            SizeLine(
                path_of(points[: turn + 1]) if turn else "",
                path_of(points[turn:]) if turn < len(points) - 1 else "",
                row.label.split(",")[0] if not row.label.startswith("tank") else "tank",
                points[-1][0],
                points[-1][1],
                round(name_y + 4.0, 2),
                row.is_best,
            )
        )
    best = next(row for row in shown.rows if row.is_best)
    evens = tuple(
        Even(x(row.from_l), f"{row.from_l:.0f}") for row in shown.rows if row.from_l and row.from_l <= end_l
    )
    litres = shown.litres_per_year or 0.0
    return CostPicture(
        tuple(lines), ticks_of(0.0, end_l, x), ticks_of(0.0, most, y), x(litres), y(best.cost), evens
    )


def _turn(row: SizeShown, end_l: float) -> int:
    """Return the point of a line from which the size is emptied in time: 0 the first, the last if never."""
    if row.least_l_per_year <= 0:
        return 0
    return 1 if row.least_l_per_year < end_l else len(row.line) - 1
