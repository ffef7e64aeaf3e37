"""Standing levels: with how many packs left to order how many, where the use is small and steady.

Two rules: for a shelf looked at with every taking, order so many when so many are left, (r, Q); for a shelf looked at
once a week, order up to so many when so many or fewer are left, (s, S). Both are the optimum, not an approximation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import expm1, isfinite, log

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, pdtrc  # type: ignore[import-untyped]

from shop.planning.suppliers import WORKING_DAYS_A_WEEK

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_PACKS = 1_000
"""No rule asks for more at hand and on the way; who needs more has a tank. House default."""


@dataclass(frozen=True, slots=True)
class PacksWanted:
    """Packs asked for over a time that is not sure: Poisson, with one of several means.

    means: packs. chances: 0..1 of each mean, together 1.
    """

    means: tuple[float, ...]
    chances: tuple[float, ...]

    @property
    def mean(self) -> float:
        """Packs on average."""
        return float(np.dot(self.means, self.chances))

    def chance_above(self, packs: IntArray) -> FloatArray:
        """(n,) chance that more packs are asked for than (n,) `packs`, each 0 or more."""
        above: FloatArray = pdtrc(packs[:, None], np.array(self.means)) @ np.array(self.chances)
        return above

    def short_of(self, packs: IntArray) -> FloatArray:
        """(n,) packs that lack on average where (n,) `packs`, each 1 or more, are at hand.

        `E(D - y)+ = m P(D >= y) - y P(D > y)` for a Poisson demand of mean m, summed over the means.
        """
        means = np.array(self.means)
        at = packs[:, None]
        short: FloatArray = (means * pdtrc(at - 1, means) - at * pdtrc(at, means)) @ np.array(self.chances)
        return short


def packs_wanted(
    packs_per_working_day: float, leads: Sequence[tuple[float, float]], *, is_weekly: bool = False
) -> PacksWanted:
    """Return the packs asked for while an order is under way.

    leads: working days until it stands on the shelf, and the chance of each. is_weekly: the order has to last until
    the one a week later comes; the working days between the two count alike.
    """
    steps = range(1, WORKING_DAYS_A_WEEK + 1) if is_weekly else (0,)
    return PacksWanted(
        tuple(packs_per_working_day * (lead + step) for lead, _ in leads for step in steps),
        tuple(chance / len(steps) for _, chance in leads for _ in steps),
    )


def safe_level(
    packs_per_working_day: float,
    leads: Sequence[tuple[float, float]],
    service_level: float,
    *,
    is_weekly: bool = False,
) -> int:
    """Return the fewest packs left at which an order comes in time in so large a share of the orders.

    `P(D <= level) >= a`, D asked for within the lead; with a weekly look also `P(D <= level + 1) >= a` until the order
    of the week after comes, for then one more may be left and nothing is ordered. leads: as in `packs_wanted`.
    service_level: a, 0..1, exclusive.
    """
    week = WORKING_DAYS_A_WEEK
    level = _covers(packs_wanted(packs_per_working_day, leads), service_level)
    if not is_weekly:
        return level
    later = [(lead + week, chance) for lead, chance in leads]
    return max(level, _covers(packs_wanted(packs_per_working_day, later), service_level) - 1)


def _covers(wanted: PacksWanted, service_level: float) -> int:
    enough = wanted.chance_above(np.arange(MOST_PACKS)) <= 1.0 - service_level
    return int(np.argmax(enough)) if enough.any() else MOST_PACKS


@dataclass(frozen=True, slots=True)
class OrderTerms:
    """What an order of one product costs, how many packs it may hold, and between what the shelf may lie.

    order_cost: money an order; freight more below free_from_packs (None: always). least_packs: of an order. multiple:
    packs of a case. most_packs: at hand and on the way together, None without a limit. least_level: packs left when an
    order goes out; 0 or more, because less than nothing cannot be seen on a shelf.
    """

    order_cost: float
    freight: float = 0.0
    free_from_packs: int | None = None
    least_packs: int = 1
    multiple: int = 1
    most_packs: int | None = None
    least_level: int = 0

    @property
    def most_searched(self) -> int:
        """The most packs any rule may ask for."""
        return MOST_PACKS if self.most_packs is None else min(self.most_packs, MOST_PACKS)

    def cost_of(self, packs: int) -> float:
        """Money one order of so many packs costs besides its packs."""
        is_free = self.free_from_packs is not None and packs >= self.free_from_packs
        return self.order_cost if is_free else self.order_cost + self.freight


@dataclass(frozen=True, slots=True)
class Keeping:
    """Money a pack and time: kept on the shelf, or wanted and not there."""

    kept: float
    short: float


@dataclass(frozen=True, slots=True)
class StandingLevel:
    """One rule: with `level` packs or fewer left, order; `up_to` is at hand and on the way afterwards.

    cost: money a time for ordering, keeping and what is wanted and not there. orders: a time. on_shelf_packs: on
    average. dry_share: share of the time in which a pack is wanted and not there.
    """

    level: int
    up_to: int
    cost: float
    orders: float
    on_shelf_packs: float
    dry_share: float

    @property
    def order_packs(self) -> int:
        """Packs of an order; with a weekly look the fewest of one."""
        return self.up_to - self.level


def short_cost(kept: float, service_level: float) -> float:
    """Money a pack wanted and not there, so that the cheapest rule has it there for a share of the time.

    `p = h a / (1 - a)`: at the optimum P(D <= y) straddles p / (p + h) (Zipkin, Foundations of Inventory Management,
    2000, 6.5; from memory). kept: money a pack and time. service_level: 0..1, exclusive.
    """
    return kept * service_level / (1.0 - service_level)


def best_watched_level(
    packs_per_time: float, wanted: PacksWanted, keeping: Keeping, terms: OrderTerms
) -> StandingLevel | None:
    """Return the cheapest rule (r, Q) of a shelf looked at with every taking; None when no order fits the terms.

    `C(r, Q) = (K(Q) lambda + sum of G(y), y = r+1..r+Q) / Q`, `G(y) = h E(y - D)+ + p E(D - y)+` with D asked for
    while an order is under way. G is convex, so the cheapest Q levels lie side by side around its least, and they
    are found by taking in the cheaper neighbour (Federgruen and Zheng 1992; Snyder and Shen, Fundamentals of Supply
    Chain Theory, 5.5). Their mean only grows with Q, so the search ends where it alone is as dear as the best rule.

    Raises ValueError for figures that cannot be.
    """
    _check(packs_per_time, keeping, terms)
    most = terms.most_searched - terms.least_level
    if most < 1:
        return None
    costs = _costs(wanted, keeping, terms.least_level + np.arange(1, most + 1))
    low = high = int(np.argmin(costs))
    window, best = float(costs[low]), None
    for packs in range(1, most + 1):
        if packs >= terms.least_packs and packs % terms.multiple == 0:
            cost = (terms.cost_of(packs) * packs_per_time + window) / packs
            if best is None or cost < best[0]:
                best = (cost, low, packs)
        if packs == most or (best is not None and window / packs >= best[0]):
            break
        if low > 0 and (high == most - 1 or costs[low - 1] <= costs[high + 1]):
            low -= 1
            window += float(costs[low])
        else:
            high += 1
            window += float(costs[high])
    if best is None:
        return None
    cost, low, packs = best
    level = terms.least_level + low
    evenly = np.full(packs, 1.0 / packs)
    return _level(level, level + packs, cost, packs_per_time / packs, wanted, evenly)


def best_weekly_level(
    packs_per_week: float, wanted: PacksWanted, keeping: Keeping, terms: OrderTerms
) -> StandingLevel | None:
    """Return the cheapest rule (s, S) of a shelf looked at once a week; None when no order fits the terms.

    `c(s, S) = (K + sum of m(j) G(S - j)) / sum of m(j), j = 0..S-s-1`, m(j) the weeks spent j packs below S, by
    renewal from the Poisson use of a week (Zheng and Federgruen 1991; Snyder and Shen, 4.4). Every pair is worked out
    up to the S from which a week alone is as dear as the best rule. G as in `best_watched_level`, money a week. K is
    that of the smallest order, S - s packs. Packs are sold singly: `multiple` is 1.

    Raises ValueError for figures that cannot be.
    """
    _check(packs_per_week, keeping, terms)
    if terms.multiple != 1:
        raise ValueError("An order up to a number needs packs sold singly, not by the case.")
    floor, least = terms.least_level, terms.least_packs
    most = terms.most_searched - floor
    if most < least:
        return None
    costs = _costs(wanted, keeping, floor + np.arange(1, most + 1))
    cheapest = int(np.argmin(costs))
    weeks = _weeks_below(packs_per_week, most)
    fixed = np.array([terms.cost_of(packs) for packs in range(1, most + 1)])
    best: tuple[float, int, int] | None = None
    for up_to in range(least, most + 1):
        lowest = up_to - least
        if best is not None and lowest > cheapest and costs[lowest] > best[0]:
            break
        below = costs[:up_to][::-1]
        whole = (fixed[:up_to] + np.cumsum(weeks[:up_to] * below)) / np.cumsum(weeks[:up_to])
        whole[: least - 1] = np.inf
        order = int(np.argmin(whole)) + 1
        if best is None or whole[order - 1] < best[0]:
            best = (float(whole[order - 1]), up_to - order, up_to)
    if best is None:
        return None
    cost, level, up_to = best
    spent = weeks[: up_to - level][::-1]
    cycle = float(spent.sum())
    return _level(floor + level, floor + up_to, cost, 1.0 / cycle, wanted, spent / cycle)


def _check(packs_per_time: float, keeping: Keeping, terms: OrderTerms) -> None:
    figures = (packs_per_time, keeping.kept, keeping.short)
    if any(not isfinite(one) or one <= 0 for one in figures):
        raise ValueError("Packs a time and the money for keeping and lacking one are above 0; correct them.")
    if min(terms.least_packs, terms.multiple, terms.least_level + 1) < 1 or not (
        terms.order_cost >= 0 and terms.freight >= 0
    ):
        raise ValueError(
            "An order holds 1 pack or more, costs 0 or more, and its level is 0 or more; correct them."
        )


def _costs(wanted: PacksWanted, keeping: Keeping, at: IntArray) -> FloatArray:
    """Money a time with (n,) packs at hand and on the way: `h (y - m) + (h + p) E(D - y)+`."""
    return keeping.kept * (at - wanted.mean) + (keeping.kept + keeping.short) * wanted.short_of(at)


def _weeks_below(packs_per_week: float, count: int) -> FloatArray:
    """(n,) weeks spent 0, 1, 2... packs below S: `m(0) = 1/(1 - p(0))`, `m(j) = sum p(l) m(j - l) / (1 - p(0))`."""
    steps = np.arange(1, count)
    chances = np.exp(steps * log(packs_per_week) - packs_per_week - gammaln(steps + 1.0))
    some = -expm1(-packs_per_week)
    weeks = np.empty(count)
    weeks[0] = 1.0 / some
    for below in steps:
        weeks[below] = np.dot(chances[:below], weeks[below - 1 :: -1][:below]) / some
    return weeks


def _level(
    level: int, up_to: int, cost: float, orders: float, wanted: PacksWanted, shares: FloatArray
) -> StandingLevel:
    """Sum up a rule; shares: (n,) of the time with level+1 ... up_to packs at hand and on the way."""
    at = np.arange(level + 1, up_to + 1)
    there = at - wanted.mean + wanted.short_of(at)
    return StandingLevel(
        level, up_to, cost, orders, float(shares @ there), float(shares @ wanted.chance_above(at))
    )
