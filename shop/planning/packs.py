"""Which packs to buy so that a need in litres is covered at the lowest real price.

Buying is a covering problem: whole packs, at least the need. A bigger pack leaves something over, and what is
left over is worth money only as far as it will be used before it expires. The search is exact, not greedy.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil, floor, inf, isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shop.planning.exact_totals import ML_PER_L, ExactTotals, Pack, grid_of, money_steps

__all__ = ["CREDIT_SHARE", "Pack", "PackChoice", "PackStatus", "choose_packs"]

CREDIT_SHARE = Decimal("0.95")
"""Share of its price that a usable left-over is worth; the rest pays for keeping it. House default."""

PackStatus = Literal["chosen", "over limit", "need is zero", "no packs", "cannot say"]

_GRID_LIMIT = 5_000_000
_MORE_THAN_ANYONE_BUYS_L = 1e9


@dataclass(frozen=True, slots=True)
class PackChoice:
    """The packs to buy, or why there are none.

    packs: (pack, how many), largest first. net_price: price less left_over_value. status: see PackStatus.
    """

    packs: tuple[tuple[Pack, int], ...]
    total_l: float
    price: Decimal
    left_over_l: float
    left_over_value: Decimal
    net_price: Decimal
    status: PackStatus
    reason: str


def choose_packs(
    need_l: float,
    packs: Sequence[Pack],
    usable_left_over_l: float = 0.0,
    most_l: float | None = None,
    credit_share: Decimal = CREDIT_SHARE,
) -> PackChoice:
    """Cheapest whole packs that cover a need, with credit for the left-over that will be used.

    Over all whole counts n with total T = sum(n*size) >= need, minimise
    `net = P - credit_share * P/T * min(T - need, usable)`, with P the price and P/T the price per litre of
    the choice itself. For a given T net rises with P, so the cheapest P for each T is enough; it comes from
    the unbounded knapsack recursion (Martello and Toth, Knapsack Problems, 1990, from memory). Totals are
    tried up to the point where even the lowest price per litre on offer, with full credit, costs more than an
    answer in hand, so the answer is optimal. Ties go to fewer litres, then fewer packs.

    need_l: litres short. usable_left_over_l: litres beyond the need that will be used in time (inf allowed).
    most_l: most litres to buy; passed only when nothing else covers the need: status `over limit`.
    credit_share: 0 to below 1.
    Returns a PackChoice; an empty list or a need of zero is a result with its reason.
    Raises ValueError for a negative usable left-over, a share outside 0..1, or a need far too large for the
    packs.
    """
    if not 0 <= credit_share < 1 or not usable_left_over_l >= 0:
        raise ValueError("The credit share lies from 0 to below 1 and the usable left-over at 0 L or more.")
    if not isfinite(need_l):
        return _nothing("cannot say", "The need in litres is not known; enter the litres of each job.")
    need_ml = max(0, ceil(need_l * ML_PER_L - 1e-6))
    if need_ml == 0:
        return _nothing("need is zero", "Stock and orders under way cover the need.")
    if not packs:
        return _nothing("no packs", "No supplier offers this fluid with a price; add a pack.")
    usable_ml = min(usable_left_over_l, _MORE_THAN_ANYONE_BUYS_L) * ML_PER_L
    search = _Search(tuple(packs), need_ml, usable_ml, float(credit_share))
    limit_ml = inf if most_l is None else most_l * ML_PER_L + 1e-6
    counts = search.best(limit_ml)
    status: PackStatus = "chosen"
    if counts is None:
        counts, status = search.best(inf), "over limit"
        assert counts is not None  # any single pack, bought often enough, covers a finite need
    return _choice(search.packs, counts, need_l, usable_left_over_l, credit_share, status, most_l)


def _nothing(status: PackStatus, reason: str) -> PackChoice:
    zero = Decimal(0)
    return PackChoice((), 0.0, zero, 0.0, zero, zero, status, reason)


def _choice(
    packs: tuple[Pack, ...],
    counts: tuple[int, ...],
    need_l: float,
    usable_l: float,
    credit_share: Decimal,
    status: PackStatus,
    most_l: float | None,
) -> PackChoice:
    bought = sorted(((p, n) for p, n in zip(packs, counts, strict=True) if n), key=lambda pn: -pn[0].size_l)
    total_l = sum(pack.size_l * count for pack, count in bought)
    price = sum((pack.cost(count) for pack, count in bought), Decimal(0))
    left_over_l = max(0.0, total_l - need_l)
    kept_l = min(left_over_l, usable_l)
    value = credit_share * price * Decimal(str(kept_l)) / Decimal(str(total_l))
    reason = (
        f"Cheapest cover of {need_l:.2f} L; {left_over_l:.2f} L left over, {kept_l:.2f} L of it will be used."
    )
    if status == "over limit":
        reason += f" No packs on offer stay within {most_l:.2f} L: ask for a smaller size."
    return PackChoice(tuple(bought), total_l, price, left_over_l, value, price - value, status, reason)


@dataclass(frozen=True, slots=True)
class _Search:
    """The covering search on a grid of the packs' greatest common measure; money in ten-thousandths."""

    packs: tuple[Pack, ...]
    need_ml: int
    usable_ml: float
    credit: float

    def best(self, limit_ml: float) -> tuple[int, ...] | None:
        """Counts per pack of the cheapest cover within `limit_ml`, or None when nothing fits."""
        grid_ml = grid_of(self.packs)
        first = -(-self.need_ml // grid_ml)
        last = floor(min(limit_ml, self._worth_trying_ml()) / grid_ml + 1e-9)
        if last < first:
            return None
        if last > _GRID_LIMIT:
            raise ValueError(
                f"{self.need_ml / ML_PER_L:.0f} L in steps of {grid_ml} mL is too fine to search; "
                "round the pack sizes or split the need."
            )
        totals = ExactTotals(self.packs, grid_ml, last)
        steps = totals.money_steps[first:]
        totals_ml = np.arange(first, last + 1) * grid_ml
        nets = self._net(steps.astype(np.float64), totals_ml.astype(np.float64))
        nets[~totals.is_reached[first:]] = inf
        least = float(nets.min())
        if least == inf:
            return None
        chosen = first + int(np.argmax(nets <= least * (1 + 1e-12)))
        return totals.counts(chosen)

    def _net(self, price: NDArray[np.float64], total_ml: NDArray[np.float64]) -> NDArray[np.float64]:
        kept_ml = np.minimum(total_ml - self.need_ml, self.usable_ml)
        return price * (1.0 - self.credit * kept_ml / total_ml)

    def _worth_trying_ml(self) -> float:
        """Largest total that can still beat the best cover of one pack size; never below that cover's total."""
        in_hand = inf
        lowest = inf
        for pack in self.packs:
            lot_ml = pack.lot_ml
            lots = -(-self.need_ml // lot_ml)
            lowest = min(lowest, *(money_steps(price) / pack.size_ml for _, price in pack.tiers))
            price = float(money_steps(pack.cost(lots * pack.multiple)))
            net = self._net(np.array([price]), np.array([float(lots * lot_ml)]))
            in_hand = min(in_hand, float(net[0]))
        with_all_used = (in_hand / lowest - self.credit * self.need_ml) / (1.0 - self.credit)
        with_some_used = in_hand / lowest + self.credit * self.usable_ml
        return min(with_all_used, with_some_used) * (1 + 1e-9) + 1
