"""When to buy how much of one fluid over the weeks ahead, at least cost: exact, by dynamic programming.

A state is a week and the litres bought so far, in steps of the packs' common measure. In each week the shelf must hold
what is required by its end; buying costs a fixed sum and the cheapest packs that make up the lot exactly; what stays on
the shelf costs money by the week. Wagner and Whitin (1958) is the case of single litres, one price and no limits.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
import numpy.typing as npt

from shop.planning.exact_totals import ML_PER_L, ExactTotals, Pack, grid_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

STEPS_LIMIT = 20_000
"""More steps than this take memory and minutes; odd sizes (a US quart beside litres) make so fine a measure."""

_DUST_L = 1e-6
_DUST_COST = 1e-9


@dataclass(frozen=True, slots=True)
class LitresAhead:
    """What one fluid's shelf has to do over T weeks. All litres are counted up from today.

    Attributes:
        required_l: (T,) litres to have had by the end of each week, what guards against chance included.
        drawn_l: (T,) litres taken on average by the end of each week.
        at_hand_l: (T,) litres free today with what has come by the start of each week from orders under way.
        holding_per_l_week: money for keeping a litre for a week.
        life_weeks: weeks a bought litre keeps; None when not known.
        most_l: litres that may stand on the shelf; None without a limit.
        worth_per_l: money that a litre left over at the end and used later is worth.
    """

    required_l: FloatArray
    drawn_l: FloatArray
    at_hand_l: FloatArray
    holding_per_l_week: float = 0.0
    life_weeks: int | None = None
    most_l: float | None = None
    worth_per_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Squeeze:
    """What presses a fluid's stock down in a room it shares, by the litres there once a week's deliveries are in.

    Attributes:
        rent_per_l: (T,) money for a litre standing there in each week.
        most_l: (T,) litres that may stand there in each week; infinite without a limit.
    """

    rent_per_l: FloatArray
    most_l: FloatArray


@dataclass(frozen=True, slots=True)
class Offer:
    """What one supplier sells of the fluid, and what an order costs besides its packs.

    Attributes:
        name: the supplier.
        packs: sizes and prices.
        order_cost: (T,) money for an order that arrives at the start of each week; infinite when none can.
    """

    name: str
    packs: tuple[Pack, ...]
    order_cost: FloatArray


@dataclass(frozen=True, slots=True)
class Lot:
    """One purchase: the week at whose start it arrives, the offer's place, and the packs."""

    week: int
    offer: int
    packs: tuple[tuple[Pack, int], ...]
    litres: float
    price: float
    is_over_limit: bool


@dataclass(frozen=True, slots=True)
class LotPlan:
    """The cheapest lots with the parts of their cost.

    cost = packs_cost + orders_cost + holding_cost - left_over_worth; no plan within the limits costs less, rent (of
    `Squeeze`, not in the cost) counted with it. Limits of shelf and life give way to the smallest pack that covers a
    need: such lots say `is_over_limit`. full_l, shelf_l: (T,) what stands there when a week's deliveries are in, and
    at its end.
    """

    lots: tuple[Lot, ...]
    cost: float
    packs_cost: float
    orders_cost: float
    holding_cost: float
    left_over_l: float
    left_over_worth: float
    rent: float
    full_l: FloatArray
    shelf_l: FloatArray


def plan_lots(ahead: LitresAhead, offers: Sequence[Offer]) -> LotPlan | None:
    """Return the cheapest lots; None when some week's need cannot be met by any offer.

    Raises:
        ValueError: no offer, arrays that do not match, or pack sizes whose common measure is too fine.
    """
    return LotSizing(ahead, offers).best([offer.order_cost for offer in offers])


SUMS_AT_ONCE = 65_536
"""Sums worked out in one go; half a megabyte, so that a processor keeps them beside it."""


class LotSizing:
    """The tables of one fluid, worked out once and then asked for plans under different costs of an order."""

    def __init__(self, ahead: LitresAhead, offers: Sequence[Offer]) -> None:
        """Lay out the grid, the requirement in steps, and each offer's price of every lot."""
        weeks = len(ahead.required_l)
        shapes = {ahead.required_l.shape, ahead.drawn_l.shape, ahead.at_hand_l.shape}
        if shapes != {(weeks,)} or not offers or any(own.order_cost.shape != (weeks,) for own in offers):
            raise ValueError("A plan needs an offer, and one figure for each week in every list.")
        self.ahead, self.offers = ahead, tuple(offers)
        packs = [pack for offer in offers for pack in offer.packs]
        grid_ml = grid_of(packs)
        self.step_l = grid_ml / ML_PER_L
        short_l = np.maximum(ahead.required_l - ahead.at_hand_l, 0.0)
        self.least = np.maximum.accumulate(
            np.ceil((short_l - _DUST_L) / self.step_l).clip(min=0).astype(np.int64)
        )
        biggest = max(pack.lot_ml * max(1, *(least for least, _ in pack.tiers)) for pack in packs) // grid_ml
        self.last = int(self.least[-1]) + biggest
        if self.last > STEPS_LIMIT:
            raise ValueError(
                f"{self.last * self.step_l:.0f} L in steps of {grid_ml} mL is too fine to plan; leave odd sizes out."
            )
        self.totals = [ExactTotals(offer.packs, grid_ml, self.last) for offer in offers]
        self.prices = [total.prices() for total in self.totals]
        for prices in self.prices:
            prices[0] = inf
        self.before_l = ahead.at_hand_l - np.concatenate([[0.0], ahead.drawn_l[:-1]])
        self.limits = self._limits(min(pack.lot_ml for pack in packs) // grid_ml)
        self.bought_l = np.arange(self.last + 1) * self.step_l
        left_l = (ahead.at_hand_l - ahead.drawn_l)[:, None] + self.bought_l[None, :]
        self.holding = ahead.holding_per_l_week * np.maximum(left_l, 0.0)
        self.worth = ahead.worth_per_l * np.clip(left_l[-1], 0.0, self._usable_later_l())

    def _usable_later_l(self) -> float:
        """Litres left at the end that will be used before they are too old, at the mean use of these weeks."""
        if self.ahead.life_weeks is None:
            return inf
        return float(self.ahead.drawn_l[-1]) / len(self.ahead.drawn_l) * self.ahead.life_weeks

    def _limits(self, smallest: int) -> IntArray:
        """Return (T,) the most steps bought by each week; never so few that the smallest pack could not cover."""
        ahead, weeks = self.ahead, len(self.ahead.drawn_l)
        most_l = np.full(weeks, inf)
        if ahead.most_l is not None:
            most_l = np.minimum(most_l, ahead.most_l - self.before_l)
        if ahead.life_weeks is not None:
            mean_l = float(ahead.drawn_l[-1]) / weeks
            until = np.arange(weeks) + ahead.life_weeks - 1
            used_l = np.where(
                until < weeks,
                ahead.drawn_l[np.minimum(until, weeks - 1)],
                ahead.drawn_l[-1] + (until - weeks + 1) * mean_l,
            )
            most_l = np.minimum(most_l, used_l - ahead.at_hand_l)
        self.wished = np.floor(np.clip(most_l / self.step_l + _DUST_L, -1, self.last)).astype(np.int64)
        limits: IntArray = np.minimum(np.maximum(self.wished, self.least + smallest - 1), self.last)
        return limits

    def least_full_l(self) -> FloatArray:
        """Return (T,) litres that stand there at least once a week's deliveries are in, whatever is bought when."""
        can_be = np.zeros(self.last + 1, dtype=bool)
        can_be[0] = True
        for lot in {
            pack.lot_ml // round(self.step_l * ML_PER_L) for own in self.offers for pack in own.packs
        }:
            rows = np.zeros(-(-len(can_be) // lot) * lot, dtype=bool)
            rows[: len(can_be)] = can_be
            can_be = np.logical_or.accumulate(rows.reshape(-1, lot)).ravel()[: len(can_be)]
        totals = np.flatnonzero(can_be)
        bought_l = self.bought_l[totals[np.searchsorted(totals, self.least)]]
        least_l: FloatArray = np.maximum(self.before_l + bought_l, 0.0)
        return least_l

    def best(
        self,
        order_costs: Sequence[FloatArray],
        least_l: Mapping[tuple[int, int], float] | None = None,
        squeeze: Squeeze | None = None,
    ) -> LotPlan | None:
        """Return the cheapest lots under these costs of an order, or None when there are none.

        order_costs: (T,) for each offer, in place of its own. least_l: (offer, week) → least litres of a lot there.
        """
        weeks, size = len(self.least), self.last + 1
        value = -self.worth
        chosen = np.zeros((weeks, len(order_costs), size), dtype=np.int32)
        steps, in_need = np.arange(size), [self._in_need(costs) for costs in order_costs]
        for week in range(weeks - 1, -1, -1):
            after = np.where(steps >= self.least[week], value + self.holding[week], inf)
            if squeeze is not None:
                full_l = np.maximum(self.before_l[week] + self.bought_l, 0.0)
                after = np.where(full_l <= squeeze.most_l[week] + _DUST_L, after, inf)
                after += squeeze.rent_per_l[week] * full_l
            ordered = np.where(steps <= self.limits[week], after, inf)
            low = int(self.least[week - 1]) if week else 0
            for place, costs in enumerate(order_costs):
                high = in_need[place][week]
                smallest = self._steps_of((least_l or {}).get((place, week), 0.0))
                if high <= low or smallest > self.last - low:
                    continue
                # From what the offers before this one leave: two suppliers may deliver in one week.
                rows = slice(low, high)
                lots, cost = _cheapest(ordered, self.prices[place], rows, smallest)
                cost = cost + costs[week]
                is_better = cost < ordered[rows] - _DUST_COST
                ordered[rows] = np.where(is_better, cost, ordered[rows])
                chosen[week, place, rows] = np.where(is_better, lots, 0)
            value = np.minimum(after, ordered)
            chosen[week][:, after <= ordered] = 0
        if not np.isfinite(value[0]):
            return None
        return self._plan(float(value[0]), chosen, order_costs, squeeze)

    def _in_need(self, costs: FloatArray) -> list[int]:
        """Return, for each week, below how many steps bought an order makes sense; 0 where none can arrive.

        What lasts until the next week in which an order costs no more is better bought then: no dearer, and kept for
        less time. So a lot comes only when the shelf would not do without it until then.
        """
        found, weeks = [0] * len(costs), len(costs)
        for week, cost in enumerate(costs.tolist()):
            if cost < inf:
                later = (costs[week + 1 :] <= cost).argmax() if week + 1 < weeks else 0
                is_later = week + 1 < weeks and costs[week + 1 + later] <= cost
                found[week] = int(self.least[week + later if is_later else weeks - 1])
        return found

    def _steps_of(self, litres: float) -> int:
        return max(1, int(np.ceil(litres / self.step_l - _DUST_L)))

    def _plan(
        self,
        cost: float,
        chosen: npt.NDArray[np.int32],
        order_costs: Sequence[FloatArray],
        squeeze: Squeeze | None,
    ) -> LotPlan:
        lots: list[Lot] = []
        bought, orders_cost, holding = 0, 0.0, 0.0
        full_l = self.before_l.copy()
        for week in range(len(self.least)):
            for place in range(len(self.offers) - 1, -1, -1):
                lot = int(chosen[week, place, bought])
                if lot:
                    bought += lot
                    orders_cost += float(order_costs[place][week])
                    lots.append(self._lot(week, place, lot, is_over_limit=bool(bought > self.wished[week])))
            holding += float(self.holding[week, bought])
            full_l[week] += bought * self.step_l
        worth = float(self.worth[bought])
        packs_cost = sum(lot.price for lot in lots)
        rent = float(squeeze.rent_per_l @ full_l.clip(min=0.0)) if squeeze is not None else 0.0
        shelf_l = full_l - np.diff(self.ahead.drawn_l, prepend=0.0)
        return LotPlan(
            tuple(lots), cost - rent, packs_cost, orders_cost, holding, max(0.0, float(shelf_l[-1])), worth, rent,
            full_l, shelf_l,
        )  # fmt: skip

    def _lot(self, week: int, place: int, lot: int, *, is_over_limit: bool) -> Lot:
        counts = zip(self.offers[place].packs, self.totals[place].counts(lot), strict=True)
        packs = tuple(sorted(((own, n) for own, n in counts if n), key=lambda pair: -pair[0].size_l))
        return Lot(week, place, packs, lot * self.step_l, float(self.prices[place][lot]), is_over_limit)


def _cheapest(within: FloatArray, prices: FloatArray, rows: slice, least: int) -> tuple[IntArray, FloatArray]:
    """Return for each state in `rows` the lot that is cheapest with all that follows, and that cost."""
    reach, count = len(prices) - rows.start, rows.stop - rows.start
    ahead = np.concatenate([within[rows.start :], np.full(reach, inf)])
    # Row r of the view is what follows from state r on; as_strided, because the checked view costs more than the sums.
    step = ahead.strides[0]
    windows = np.lib.stride_tricks.as_strided(ahead, (count, reach), (step, step), writeable=False)
    lots, cost = np.empty(count, dtype=np.int64), np.empty(count)
    at_once = max(1, SUMS_AT_ONCE // (reach - least))
    for first in range(0, count, at_once):
        block = slice(first, first + at_once)
        costs = windows[block, least:] + prices[least:reach]
        lots[block] = own = costs.argmin(axis=1)
        cost[block] = costs[np.arange(len(own)), own]
    return lots + least, cost
