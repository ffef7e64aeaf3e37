"""Jug, drum or tank: what a fluid costs in a year out of each size it can be kept in.

A small pack is dear by the litre and slow to pour; a drum or a tank costs money whether it is used or not, and once
opened it ages. So the yearly litres decide.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

MONTHS_A_YEAR = 12
MINUTES_AN_HOUR = 60.0
SAME_MONEY = 1e-9

MONEY_AND_ROOM_SHARE_PER_YEAR = 0.10
"""What stock costs in a year, share of its value: money tied up, room, insurance. Common practice, no source."""

KEEPING_SHARE_PER_YEAR = MONEY_AND_ROOM_SHARE_PER_YEAR + 0.10
"""The same with what spoils or is spilt, for sums that do not count those by the litre. Common practice, no source."""


def emptying_l_per_year(size_l: float, opened_life_months: int | None) -> float:
    """Litres a year that empty a size within its opened life: `size * 12 / life`; 0 without a life to keep to."""
    return size_l * MONTHS_A_YEAR / opened_life_months if opened_life_months else 0.0


@dataclass(frozen=True, slots=True)
class Container:
    """A size a fluid can be kept in.

    size_l: litres. price_per_l: money a litre. minutes_per_l: fetching and pouring a litre. loss_per_l: money a litre
    for what stays behind or is spilt. fixed_per_year: stand, pump, bund, inspection. opened_life_months: how long it
    keeps once opened; 0 is used at once, None is not known.
    """

    label: str
    size_l: float
    price_per_l: float
    minutes_per_l: float
    loss_per_l: float
    fixed_per_year: float = 0.0
    opened_life_months: int | None = None

    def __post_init__(self) -> None:
        """Refuse what no container has."""
        figures = (self.price_per_l, self.minutes_per_l, self.loss_per_l, self.fixed_per_year)
        if not (isfinite(self.size_l) and self.size_l > 0):
            raise ValueError(f"{self.label}: a size is above 0 L, not {self.size_l}; correct it.")
        if any(not isfinite(figure) or figure < 0 for figure in figures):
            raise ValueError(
                f"{self.label}: price, minutes, loss and fixed cost are 0 or more; correct them."
            )

    def cost_per_l(self, labour_per_h: float) -> float:
        """Money for one litre poured: `price + minutes/60 * rate + loss`."""
        return self.price_per_l + self.minutes_per_l / MINUTES_AN_HOUR * labour_per_h + self.loss_per_l

    @property
    def least_l_per_year(self) -> float:
        """Litres a year that empty it within its opened life; 0 where that is not known or it is used at once."""
        return emptying_l_per_year(self.size_l, self.opened_life_months)

    def thrown_away_l(self, litres_per_year: float) -> float:
        """Litres a year that outlive the opened life, when one is opened as another ends."""
        return max(0.0, self.least_l_per_year - litres_per_year)

    def cost_per_year(self, litres_per_year: float, labour_per_h: float) -> float:
        """Money a year: `litres * cost_per_l + fixed + thrown away * price`."""
        thrown_away = self.thrown_away_l(litres_per_year) * self.price_per_l
        return litres_per_year * self.cost_per_l(labour_per_h) + self.fixed_per_year + thrown_away


@dataclass(frozen=True, slots=True)
class ContainerYear:
    """What one size costs in a year.

    is_emptied: within its opened life. break_even_l: litres a year from which it is cheaper than every smaller size,
    None when it never is or there is no smaller one.
    from_l: the same, but not below what its opened life asks.
    """

    container: Container
    cost_per_l: float
    cost: float
    thrown_away_l: float
    is_emptied: bool
    break_even_l: float | None
    from_l: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """The sizes side by side, the smallest first, the one to keep the fluid in, and what would come next."""

    litres_per_year: float
    rows: tuple[ContainerYear, ...]
    best: ContainerYear
    runner_up: ContainerYear | None
    reason: str


def break_even_l(small: Container, large: Container, labour_per_h: float) -> float | None:
    """Litres a year from which the large size costs less: `(fixed_L - fixed_S) / (per litre_S - per litre_L)`.

    0 when it is cheaper from the first litre, None when it never is. What its opened life asks is not in it.
    """
    cheaper_by = small.cost_per_l(labour_per_h) - large.cost_per_l(labour_per_h)
    dearer_by = large.fixed_per_year - small.fixed_per_year
    if cheaper_by <= SAME_MONEY:
        return None
    return max(0.0, dearer_by / cheaper_by)


def compare_containers(
    containers: Sequence[Container], litres_per_year: float, labour_per_h: float
) -> Comparison:
    """Set the sizes side by side and choose one.

    Chosen is the cheapest of those emptied within their opened life; if none is, the cheapest with what is thrown away.
    Ties go to the smaller size.

    litres_per_year: above 0. labour_per_h: money an hour.
    Raises ValueError for no container, or a figure below zero.
    """
    if not containers:
        raise ValueError("There is no size to compare; add a pack with its price.")
    if not (isfinite(litres_per_year) and litres_per_year > 0) or not labour_per_h >= 0:
        raise ValueError("Litres a year are above 0 and an hour costs 0 or more; correct the figures.")
    in_order = sorted(containers, key=lambda own: (own.size_l, own.price_per_l))
    rows = tuple(
        _year(own, in_order[:place], litres_per_year, labour_per_h) for place, own in enumerate(in_order)
    )
    emptied = [row for row in rows if row.is_emptied]
    ranked = sorted(emptied or rows, key=lambda row: (row.cost, row.container.size_l))
    best, runner_up = ranked[0], ranked[1] if len(ranked) > 1 else None
    reason = (
        f"{best.container.label}: cheapest of the sizes that {litres_per_year:.0f} L a year empty in time."
    )
    if not emptied:
        reason = (
            f"{best.container.label}: no size is emptied within its opened life; with what is thrown away this one "
            "costs least."
        )
    return Comparison(litres_per_year, rows, best, runner_up, reason)


def _year(own: Container, smaller: Sequence[Container], litres: float, labour_per_h: float) -> ContainerYear:
    thrown_away_l = own.thrown_away_l(litres)
    per_l = own.cost_per_l(labour_per_h)
    evens = [break_even_l(other, own, labour_per_h) for other in smaller]
    known = [even for even in evens if even is not None]
    even = max(known) if known and len(known) == len(evens) else None
    return ContainerYear(
        own,
        per_l,
        own.cost_per_year(litres, labour_per_h),
        thrown_away_l,
        thrown_away_l <= SAME_MONEY,
        even,
        None if even is None else max(even, own.least_l_per_year),
    )
