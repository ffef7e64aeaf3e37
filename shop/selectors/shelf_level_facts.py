"""What the standing levels of a shelf show."""

from dataclasses import dataclass
from datetime import date

from shop.selectors.steady_use import SteadyUse


@dataclass(frozen=True, slots=True)
class PackTried:
    """One supplier's pack with its cheapest rule.

    lead: in words. wanted_packs: taken on average while an order is under way. order_cost: money an order. most_packs:
    at hand and on the way by room and use-by, None without a limit. thrown_away_l: a year, of opened packs that outlive
    their opened life, jobs counted as use. level, order_packs, up_to: packs; with a weekly look an order holds at least
    order_packs. on_shelf_l: in full packs, on average. dry_share: share of the time in which a pack is wanted and not
    there. cost_per_year: orders and keeping; whole_per_year: with the litres, the price of lacking them and what is
    thrown away. why_not: why no rule fits; the figures are None then.
    """

    supplier: str
    pack: str
    size_l: float
    price: float
    packs_per_year: float
    lead: str
    wanted_packs: float
    order_cost: float
    keeping_per_pack_year: float
    least_packs: int
    most_packs: int | None
    thrown_away_l: float
    level: int | None = None
    order_packs: int | None = None
    up_to: int | None = None
    orders_per_year: float | None = None
    on_shelf_l: float | None = None
    dry_share: float | None = None
    cost_per_year: float | None = None
    whole_per_year: float | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ShelfLevel:
    """One product on one shelf: its standing rule, or why it has none.

    use: what the rule rests on. chosen: the pack that costs least. others: the other packs, the cheapest first.
    packs_now: full packs of the chosen size that what is free and on the way would fill. rule: the sentence for the
    shelf. limit: what keeps the packs at hand down. is_planned_only: nothing is used steadily; the order plan orders
    for its jobs.
    """

    depot: str
    currency: str
    product: str
    name: str
    as_of: date
    look: str
    use: SteadyUse
    chosen: PackTried | None
    others: tuple[PackTried, ...]
    packs_now: int | None
    is_order_due: bool
    is_planned_only: bool
    rule: str
    limit: str
    sentence: str
    cannot_say: str
