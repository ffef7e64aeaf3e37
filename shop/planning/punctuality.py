"""How punctual a supplier has been: the share on time with its range, leads as they were, days late."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, sqrt
from statistics import NormalDist, median

from shop.planning.suppliers import BUFFER_DAYS, working_days_between

INTERVAL_LEVEL = 0.80
"""How sure the range of a share is."""

ENOUGH_ORDERS = 20
"""Orders from which days late are learned: the fewest whose 95th percentile is not simply the worst of them."""

MARGIN_LEVEL = 0.95
"""Share of orders the margin for a late delivery covers, as the shelf covers its jobs."""


@dataclass(frozen=True, slots=True)
class PastOrder:
    """One order that is over.

    expected_on: the day named when it was ordered. arrived_on: the day the last of it came; None when part of it
    never came. closed: days on which supplier or depot did not work.
    """

    ordered_on: date
    expected_on: date
    arrived_on: date | None
    closed: frozenset[date] = frozenset()

    @property
    def is_on_time(self) -> bool:
        """Whether all of it came by the day named; what never came whole was not."""
        return self.arrived_on is not None and self.arrived_on <= self.expected_on

    @property
    def lead_working_days(self) -> int | None:
        """Working days it took, None when part of it never came."""
        if self.arrived_on is None:
            return None
        return working_days_between(self.ordered_on, self.arrived_on, self.closed)

    @property
    def late_days(self) -> int | None:
        """Calendar days after the day named, 0 when on time, None when part of it never came."""
        return None if self.arrived_on is None else max(0, (self.arrived_on - self.expected_on).days)


@dataclass(frozen=True, slots=True)
class Punctuality:
    """What past orders show of a supplier.

    on_time_share, low_share, high_share: 0..1 with the ends of its 80 % range. median_lead, p80_lead: working
    days. margin_days: calendar days kept for a late delivery. These but the last are None without an order. leads:
    working days each order took that came whole.
    """

    orders: int
    on_time: int
    on_time_share: float | None
    low_share: float | None
    high_share: float | None
    median_lead: float | None
    p80_lead: int | None
    margin_days: int
    is_margin_learned: bool
    leads: tuple[int, ...] = ()


def wilson_interval(hits: int, trials: int, level: float = INTERVAL_LEVEL) -> tuple[float, float]:
    """The score interval of a share seen `hits` times in `trials`.

    `(p + z²/2n ± z·sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n)` with z the normal quantile of (1 + level)/2. It stays
    inside 0..1 and says something honest for four orders, where p ± z·sd does not. (E. B. Wilson 1927.)

    hits: 0..trials. trials: 1 or more. level: 0..1, exclusive. Returns low and high share.
    Raises ValueError for counts or a level that cannot be.
    """
    if trials < 1 or not 0 <= hits <= trials or not 0 < level < 1:
        raise ValueError("Hits lie between 0 and trials, trials are 1 or more, a level lies between 0 and 1.")
    z = NormalDist().inv_cdf((1 + level) / 2)
    share = hits / trials
    middle = share + z * z / (2 * trials)
    half = z * sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    scale = 1 + z * z / trials
    return max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale)


def percentile_seen(values: Sequence[int], level: float) -> int:
    """The smallest value that at least `level` of the values do not exceed (nearest rank; none is made up).

    values: one or more. level: above 0, to 1. Raises ValueError without a value or for another level.
    """
    if not values or not 0 < level <= 1:
        raise ValueError("A percentile needs at least one value and a level above 0, to 1.")
    return sorted(values)[ceil(level * len(values) - 1e-9) - 1]


def punctuality_of(orders: Sequence[PastOrder]) -> Punctuality:
    """Sum up the orders of a supplier that are over; cancelled ones are the house's doing and not among them.

    The margin is the 95th percentile of days late, of orders that came; below 20 orders it is the house default.
    """
    if not orders:
        return Punctuality(0, 0, None, None, None, None, None, BUFFER_DAYS, False)
    on_time = sum(order.is_on_time for order in orders)
    low, high = wilson_interval(on_time, len(orders))
    leads = [lead for order in orders if (lead := order.lead_working_days) is not None]
    late = [days for order in orders if (days := order.late_days) is not None]
    is_learned = len(late) >= ENOUGH_ORDERS
    return Punctuality(
        orders=len(orders),
        on_time=on_time,
        on_time_share=on_time / len(orders),
        low_share=low,
        high_share=high,
        median_lead=float(median(leads)) if leads else None,
        p80_lead=percentile_seen(leads, 0.8) if leads else None,
        margin_days=percentile_seen(late, MARGIN_LEVEL) if is_learned else BUFFER_DAYS,
        is_margin_learned=is_learned,
        leads=tuple(leads),
    )
