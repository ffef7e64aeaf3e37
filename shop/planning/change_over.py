"""From one fluid to another: which jobs still take the old one, and what of it is left when it is too old."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from shop.planning.demand import DUST_L


@dataclass(frozen=True, slots=True)
class Lot:
    """Packs of the old fluid on a shelf.

    litres: what may be poured. last_day: the last day it may be, None when no use-by is known.
    """

    label: str
    litres: float
    last_day: date | None = None


@dataclass(frozen=True, slots=True)
class NextFill:
    """A job that will come: when, and how many litres it takes."""

    label: str
    day: date
    litres: float


@dataclass(frozen=True, slots=True)
class Filled:
    """Which fluid a job takes, and the packs the old one comes from."""

    fill: NextFill
    is_old: bool
    lots: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LeftOver:
    """What no job takes any more; day: its last day, None when no use-by is known."""

    label: str
    litres: float
    day: date | None


@dataclass(frozen=True, slots=True)
class UsedUp:
    """The old fluid used up as far as it goes.

    last_old_on, first_new_on: the day of the last job with the old fluid and of the first with the new one.
    """

    fills: tuple[Filled, ...]
    left: tuple[LeftOver, ...]
    last_old_on: date | None
    first_new_on: date | None

    @property
    def left_l(self) -> float:
        """Litres that no job takes."""
        return sum(one.litres for one in self.left)


def use_up(lots: Sequence[Lot], fills: Sequence[NextFill]) -> UsedUp:
    """Give the old fluid to the jobs in the order of their days, soonest last day first.

    A job takes the old fluid only if all of its litres are there and still good on its day: two fluids are not put
    into one unit because a pack ran out. A smaller job may still use what a larger one had to leave.
    """
    left = {place: lot.litres for place, lot in enumerate(lots)}
    in_order = sorted(left, key=lambda place: (lots[place].last_day or date.max, place))
    filled: list[Filled] = []
    for fill in sorted(fills, key=lambda one: (one.day, one.label)):
        usable = [place for place in in_order if left[place] > DUST_L and _is_good(lots[place], fill)]
        is_old = sum(left[place] for place in usable) >= fill.litres - DUST_L
        taken, wanted = [], fill.litres if is_old else 0.0
        for place in usable:
            if wanted <= DUST_L:
                break
            part = min(wanted, left[place])
            left[place] -= part
            wanted -= part
            taken.append(lots[place].label)
        filled.append(Filled(fill, is_old, tuple(taken)))
    over = tuple(
        LeftOver(lots[place].label, left[place], lots[place].last_day)
        for place in in_order
        if left[place] > DUST_L
    )
    old = [own.fill.day for own in filled if own.is_old]
    new = [own.fill.day for own in filled if not own.is_old]
    return UsedUp(tuple(filled), over, max(old, default=None), min(new, default=None))


@dataclass(frozen=True, slots=True)
class FillWithin:
    """A job that may be done from one day to the day it is planned for."""

    label: str
    earliest: date
    planned: date

    def __post_init__(self) -> None:
        """Refuse a job that is planned before it may be done."""
        if self.planned < self.earliest:
            raise ValueError(f"{self.label}: planned before the first day allowed; correct the days.")


def in_a_row(jobs: Sequence[FillWithin]) -> dict[date, tuple[FillWithin, ...]]:
    """Return last day → the jobs to do in a row up to that day, in the fewest rows that serve every job in time.

    The job that can wait least fixes a row by its planned day; every job that may be done by then joins it. No choice
    needs fewer rows: no two of the jobs that fixed one have a day in common. (Piercing of intervals; from memory.)
    """
    rows: dict[date, tuple[FillWithin, ...]] = {}
    waiting = sorted(jobs, key=lambda job: (job.planned, job.label))
    while waiting:
        last_day = waiting[0].planned
        rows[last_day] = tuple(job for job in waiting if job.earliest <= last_day)
        waiting = [job for job in waiting if job.earliest > last_day]
    return rows


def _is_good(lot: Lot, fill: NextFill) -> bool:
    return lot.last_day is None or lot.last_day >= fill.day
