"""The packs a supplier sells, and the cheapest packs for every exact total of litres."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import floor, gcd, isfinite

import numpy as np
from numpy.typing import NDArray

ML_PER_L = 1_000
_MONEY_STEPS = Decimal(10_000)
_UNREACHED = np.iinfo(np.int64).max // 4
_KEY_PER_STEP = 1 << 20
_Costs = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pack:
    """One size a supplier sells.

    size_l: litres in one pack. price: money for one pack. label: what the order says.
    multiple: sold only in this many at a time. breaks: (from this many packs, price of each of them).
    """

    size_l: float
    price: Decimal
    label: str
    multiple: int = 1
    breaks: tuple[tuple[int, Decimal], ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be bought."""
        if not (isfinite(self.size_l) and self.size_l * ML_PER_L >= 1):
            raise ValueError(
                f"{self.label}: a pack holds at least 0.001 L, not {self.size_l}; correct its size."
            )
        if self.multiple < 1 or any(count < 1 for count, _ in self.breaks):
            raise ValueError(
                f"{self.label}: multiples and price breaks count whole packs from 1; correct them."
            )
        prices = (self.price, *(price for _, price in self.breaks))
        if any(not price.is_finite() or money_steps(price) < 1 for price in prices):
            raise ValueError(
                f"{self.label}: a price is above zero; leave a pack without a price off the list."
            )

    @property
    def size_ml(self) -> int:
        """Whole millilitres in one pack."""
        # Rounded down, so that a plan in odd sizes (a US quart is 946.35 mL) never comes out short.
        return floor(self.size_l * ML_PER_L + 1e-6)

    @property
    def lot_ml(self) -> int:
        """Millilitres in the fewest packs that are sold together."""
        return self.size_ml * self.multiple

    @property
    def tiers(self) -> tuple[tuple[int, Decimal], ...]:
        """From how many packs which price holds for each, the plain price first."""
        return ((0, self.price), *self.breaks)

    def cost(self, count: int) -> Decimal:
        """Price of `count` packs of this size, in money, at the best break reached.

        Raises nothing; a count that is no multiple is priced as asked.
        """
        return count * min(price for least, price in self.tiers if count >= least)


class ExactTotals:
    """The lowest price, and the packs, for each total of 0 to `last` grid steps that packs make up exactly.

    Unbounded knapsack recursion (Martello and Toth, Knapsack Problems, 1990, from memory); of equal prices the
    fewest packs.

    Attributes:
        money_steps: price of each total in ten-thousandths of money.
        is_reached: totals that packs make up.
    """

    def __init__(self, packs: Sequence[Pack], grid_ml: int, last: int) -> None:
        """Work the totals out. grid_ml: a measure that every lot is a multiple of."""
        self.packs, self.grid_ml = tuple(packs), grid_ml
        self._layers = self._in_turn(last)
        self.money_steps: _Costs = self._layers[-1] // _KEY_PER_STEP
        self.is_reached: NDArray[np.bool_] = self._layers[-1] < _UNREACHED

    def prices(self) -> NDArray[np.float64]:
        """Return the price of each total in money; infinite where no packs make it up."""
        return np.where(self.is_reached, self.money_steps / float(_MONEY_STEPS), np.inf)

    def _in_turn(self, last: int) -> list[_Costs]:
        """Cheapest key for every exact total, after each pack in turn; key = money, then number of packs."""
        start = np.full(last + 1, _UNREACHED, dtype=np.int64)
        start[0] = 0
        layers = [start]
        for pack in self.packs:
            lot = pack.lot_ml // self.grid_ml
            before = layers[-1]
            after = before.copy()
            for least, price in pack.tiers:
                lots_at_least = -(-least // pack.multiple)
                key = _key(price, pack.multiple)
                tier = _shifted(before, lots_at_least * lot, lots_at_least * key)
                # A run of `lot` totals depends only on the run before it, so each run is one array operation.
                for low in range(lot, last + 1, lot):
                    high = min(low + lot, last + 1)
                    np.minimum(tier[low:high], tier[low - lot : high - lot] + key, out=tier[low:high])
                np.minimum(after, tier, out=after)
            layers.append(after)
        return layers

    def counts(self, total: int) -> tuple[int, ...]:
        """Return how many of each pack make up a total of grid steps that is reached."""
        counts = [0] * len(self.packs)
        for place in range(len(self.packs) - 1, -1, -1):
            pack = self.packs[place]
            lot = pack.lot_ml // self.grid_ml
            before, key = self._layers[place], int(self._layers[place + 1][total])
            lots = next(
                n
                for n in range(total // lot + 1)
                if int(before[total - n * lot]) + _run_key(pack, n * pack.multiple) == key
            )
            counts[place] = lots * pack.multiple
            total -= lots * lot
        return tuple(counts)


def grid_of(packs: Sequence[Pack]) -> int:
    """Return the greatest common measure of all lots on offer, mL."""
    return gcd(*(pack.lot_ml for pack in packs))


def money_steps(price: Decimal) -> int:
    """Return money in ten-thousandths."""
    return round(price * _MONEY_STEPS)


def _key(price: Decimal, packs: int) -> int:
    return money_steps(price) * packs * _KEY_PER_STEP + packs


def _shifted(costs: _Costs, by: int, key: int) -> _Costs:
    moved = np.full_like(costs, _UNREACHED)
    if by < len(costs):
        moved[by:] = np.minimum(costs[: len(costs) - by] + key, _UNREACHED)
    return moved


def _run_key(pack: Pack, count: int) -> int:
    return min(_key(price, count) for least, price in pack.tiers if count >= least)
