"""Many exchange jobs side by side: one entry of every array is one unit with one method and start."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from intervals.exchange import yields
from intervals.exchange.card import UnitCard, stage_limit
from intervals.exchange.curve import (
    STEPS_AT_ONCE,
    TURNED_IN_A_MACHINE_STEP,
    TURNED_IN_A_STEP,
    FloatArray,
    fastest_per_l,
)
from intervals.exchange.shares import mixing_numbers
from intervals.exchange.starts import COOLER_LINE, START_OVERNIGHT, start_litres
from intervals.exchange.yields import MOST_PUSHED_FILLS

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

TURNOVERS: FloatArray = yields.TURNOVERS[:, None]
BLEEDS: FloatArray = yields.BLEEDS[:, None]

_PERCENTILE_PLACE = 0.2 * (TURNOVERS.size - 1)
_BELOW = int(_PERCENTILE_PLACE)


@dataclass(frozen=True, slots=True)
class PushJobs:
    """What pushing fluid through a unit needs to know; litres at 20 °C, one entry per job.

    Attributes:
        sump_l, converter_l, cooler_l, passages_l: parts, NaN where the card has none.
        parts_total_l, total_fill_l: the parts together; all the fluid of the card.
        poured_l: litres drained and poured back first.
        old_sump, old_converter, old_passages: old share of each part after that pour.
        turnover, bleed: the card's own mixing.
        mark_l, limit_l, most_l: jug graduation, largest stage, largest litres tried.
        target_share: cautious fresh share asked.
        mixing, mixing_cautious: numbers of the one-number formula.
    """

    sump_l: FloatArray
    converter_l: FloatArray
    cooler_l: FloatArray
    passages_l: FloatArray
    parts_total_l: FloatArray
    total_fill_l: FloatArray
    poured_l: FloatArray
    old_sump: FloatArray
    old_converter: FloatArray
    old_passages: FloatArray
    turnover: FloatArray
    bleed: FloatArray
    mark_l: FloatArray
    limit_l: FloatArray
    most_l: FloatArray
    target_share: FloatArray
    mixing: FloatArray
    mixing_cautious: FloatArray

    @property
    def size(self) -> int:
        """Number of jobs."""
        return int(self.poured_l.size)

    @property
    def machine_step_l(self) -> FloatArray:
        """Litres of one step of a machine run, the sump kept full."""
        return TURNED_IN_A_MACHINE_STEP / self._fastest(self.sump_l)

    def steps_of(self, stage_l: FloatArray) -> IntArray:
        """Steps of a stage of each job, as `share_curve` takes them."""
        turned = stage_l * self._fastest(self.sump_l - stage_l) / TURNED_IN_A_STEP
        return STEPS_AT_ONCE * np.maximum(1, np.ceil(turned / STEPS_AT_ONCE - 1e-9)).astype(np.int64)

    def _fastest(self, lowest_l: FloatArray) -> FloatArray:
        most_r = np.maximum(self.turnover, TURNOVERS.max())
        most_b = np.maximum(self.bleed, BLEEDS.max())
        return fastest_per_l(lowest_l, self.converter_l, self.passages_l, most_r, most_b)

    def take(self, index: IntArray) -> Self:
        """Only the jobs at `index`, in that order."""
        return type(self)(*(getattr(self, f.name)[index] for f in fields(self)))

    def share_of(self, old_left_l: FloatArray) -> FloatArray:
        """Fresh share once `old_left_l` litres of old fluid left after the pour."""
        return 1.0 - (self.parts_total_l - self.poured_l - old_left_l) / self.parts_total_l


def push_jobs(
    cards: Sequence[UnitCard], method: str, starts: Sequence[str], target_shares: FloatArray
) -> PushJobs:
    """Jobs of one pushing method for many cards.

    Args:
        cards: checked unit cards.
        method: 'cooler-line exchange' or 'machine exchange'.
        starts: the drain before each, known to its card.
        target_shares: fresh share asked of each.

    Returns:
        The jobs.

    Raises:
        CardError: a card that does not give the drain of its start.
    """
    rows = [
        (
            card.sump_l,
            card.converter_l,
            card.cooler_l,
            card.passages_l,
            card.total_fill_l,
            card.converter_drainback_l if start == START_OVERNIGHT else 0.0,
            card.passages_drainback_l if start == START_OVERNIGHT else 0.0,
            card.turnover,
            card.bleed,
            card.jug_mark_l,
            start_litres(card, start),
            *mixing_numbers(card.mixing),
        )
        for card, start in zip(cards, starts, strict=True)
    ]
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), 13).T
    sump, converter, cooler, passages, total, back_c, back_g, turnover, bleed, mark, poured, *mixing = columns
    most = MOST_PUSHED_FILLS * total
    if method == COOLER_LINE:
        limit = np.array([stage_limit(card).litres for card in cards])
    else:
        limit = np.ceil(most / mark) * mark
    share = poured / (sump + (back_c + back_g))
    return PushJobs(
        sump, converter, cooler, passages, sump + converter + cooler + passages, total, poured,
        1.0 - share, 1.0 - back_c * share / converter, 1.0 - back_g * share / passages,
        turnover, bleed, mark, limit, most, target_shares, *mixing,
    )  # fmt: skip


def cautious(shares: FloatArray) -> FloatArray:
    """The cautious fifth of the 25 mixing cases, along the first axis (linear between two ranks)."""
    ranked = np.partition(shares[: TURNOVERS.size], (_BELOW, _BELOW + 1), axis=0)
    low, high = ranked[_BELOW], ranked[_BELOW + 1]
    return np.asarray(high - (high - low) * (1.0 - (_PERCENTILE_PLACE - _BELOW)))


def with_own(jobs: PushJobs) -> tuple[FloatArray, FloatArray]:
    """Turnovers and bleeds of the 25 mixing cases and, last, the card's own: (26, jobs) each."""
    shape = (TURNOVERS.size, jobs.size)
    r = np.concatenate([np.broadcast_to(TURNOVERS, shape), jobs.turnover[None]])
    b = np.concatenate([np.broadcast_to(BLEEDS, shape), jobs.bleed[None]])
    return r, b
