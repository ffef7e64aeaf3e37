"""Standing shelf levels: with how many packs left to order how many, for what is used steadily. Nothing is stored."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from math import ceil, floor

from shop import clock
from shop.models import BulkTank, Depot, Person, Product
from shop.planning.demand import SERVICE_LEVEL
from shop.planning.pack_costs import KEEPING_SHARE_PER_YEAR, MONTHS_A_YEAR, emptying_l_per_year
from shop.planning.packs import Pack
from shop.planning.shelf_levels import (
    Keeping,
    OrderTerms,
    best_watched_level,
    best_weekly_level,
    packs_wanted,
    safe_level,
    short_cost,
)
from shop.planning.suppliers import WORKING_DAYS_A_WEEK
from shop.selectors.fluid_use import DAYS_A_YEAR
from shop.selectors.offers import Offer, offers_to
from shop.selectors.order_plan import HOUSE_ORDER_COST
from shop.selectors.shelf import on_order, shelves_of
from shop.selectors.shelf_level_facts import PackTried, ShelfLevel
from shop.selectors.shelf_level_words import (
    lead_words,
    limit_words,
    none_fits_words,
    planned_words,
    rule_words,
    why_none_fits,
    why_words,
)
from shop.selectors.steady_use import SteadyUse, steady_uses
from shop.selectors.stock import shelves_seen

WATCHED, WEEKLY = "watched", "weekly"
LOOKS = {WATCHED: "with every taking", WEEKLY: "once a week"}
"""How often a shelf is looked at, in words."""

DAYS_A_WEEK = 7
WEEKS_A_YEAR = DAYS_A_YEAR / DAYS_A_WEEK
WORKING_DAYS_A_YEAR = WEEKS_A_YEAR * WORKING_DAYS_A_WEEK

ORDER_DAY = 1
"""Working days until an order counts that is written whenever the level is reached: by then the hour may be past."""

SHELF_DAY = 1
"""Working days from the delivery until its packs stand on the shelf, as in the order plan."""


def look_of(asked: Mapping[str, str]) -> str:
    """Return how often the shelf is looked at, as an address asks it; anything else is with every taking."""
    return WEEKLY if asked.get("look") == WEEKLY else WATCHED


def shelf_levels(person: Person, look: str = WATCHED, product: Product | None = None) -> list[ShelfLevel]:
    """Return the standing rule of each product on each shelf that serves the person's depots.

    look: how often the shelf is looked at. product: that one only.
    """
    return [row for depot in shelves_seen(person) for row in _of_shelf(depot, look, product)]


def _of_shelf(depot: Depot, look: str, product: Product | None) -> list[ShelfLevel]:
    as_of = clock.today(depot.time_zone)
    uses, offers = steady_uses(depot, as_of, product), offers_to(depot)
    shelves, coming = shelves_of(depot.pk, as_of, {}, set()), on_order(depot.pk, as_of)
    left_l = {
        pk: (shelves[pk].litres.free_l if pk in shelves else 0.0)
        + (coming[pk].in_time_l if pk in coming else 0.0)
        for pk in uses
    }
    tanks = dict(BulkTank.objects.filter(item__depot=depot).values_list("item__product", "code"))
    products = Product.objects.filter(pk__in=uses).order_by("code")
    return [
        _row(depot, own, as_of, look, uses[own.pk], offers.get(own.pk, []), left_l[own.pk], tanks.get(own.pk))
        for own in products
    ]


def _row(
    depot: Depot,
    product: Product,
    as_of: date,
    look: str,
    use: SteadyUse,
    offers: Sequence[Offer],
    left_l: float,
    tank: str | None,
) -> ShelfLevel:
    """Work out one product's rule."""
    is_planned_only = not use.litres_per_year and bool(use.planned_l or use.units_unknown)
    row = ShelfLevel(
        depot.code, depot.currency, product.code, product.name, as_of, look, use, None, (), None, False,
        is_planned_only, "", "", "", "",
    )  # fmt: skip
    if is_planned_only:
        return replace(row, sentence=planned_words(use))
    why = _why_no_level(product, use, offers, tank)
    if why:
        return replace(row, cannot_say=why)
    tried = [_tried(product, use, offer, pack, look) for offer in offers for pack in offer.packs]
    tried.sort(key=lambda own: (own.whole_per_year is None, own.whole_per_year or 0.0, own.size_l))
    chosen = tried[0]
    if chosen.level is None:
        return replace(row, others=tuple(tried), cannot_say=none_fits_words(tried))
    packs_now = floor(max(0.0, left_l) / chosen.size_l + 1e-9)
    is_weekly = look == WEEKLY
    return replace(
        row, chosen=chosen, others=tuple(tried[1:]), packs_now=packs_now, is_order_due=packs_now <= chosen.level,
        rule=rule_words(chosen, is_weekly=is_weekly), limit=limit_words(product, use, chosen),
        sentence=why_words(chosen, use, row.currency, is_weekly=is_weekly),
    )  # fmt: skip


def _why_no_level(product: Product, use: SteadyUse, offers: Sequence[Offer], tank: str | None) -> str:
    if not use.litres_per_year:
        return "No use is typed or on record, steady or planned."
    if tank is not None:
        return f"{product.code} stands in the tank {tank}, where no packs can be counted; its dips tell what is left."
    if not offers:
        return f"No supplier sells {product.code} at a known price; add its pack to packs.csv."
    if product.opened_life_months == 0:
        return (
            f"{product.code} is used at once when opened, so its litres do not tell how many packs are taken; order it "
            "for its jobs."
        )
    return ""


def _tried(product: Product, use: SteadyUse, offer: Offer, pack: Pack, look: str) -> PackTried:
    """Find the cheapest rule with one pack."""
    is_weekly, price = look == WEEKLY, float(pack.price)
    leads = _leads(offer, is_weekly=is_weekly)
    a_year, keeping = use.litres_per_year / pack.size_l, KEEPING_SHARE_PER_YEAR * price
    a_day = a_year / WORKING_DAYS_A_YEAR
    wanted = packs_wanted(a_day, leads, is_weekly=is_weekly)
    safe = safe_level(a_day, leads, SERVICE_LEVEL, is_weekly=is_weekly)
    terms = _terms(product, use, offer, pack, safe)
    own = PackTried(
        supplier=offer.row.name, pack=pack.label, size_l=pack.size_l, price=price, packs_per_year=a_year,
        lead=lead_words(leads, offer.punctuality.orders, is_seen=offer.punctuality.is_margin_learned),
        wanted_packs=wanted.mean, order_cost=terms.cost_of(terms.least_packs), keeping_per_pack_year=keeping,
        least_packs=terms.least_packs, most_packs=terms.most_packs,
        thrown_away_l=max(0.0, emptying_l_per_year(pack.size_l, product.opened_life_months) - use.with_planned_l),
    )  # fmt: skip
    if is_weekly and terms.multiple > 1:
        return replace(own, why_not=f"sold by the case of {terms.multiple}, so not up to any number")
    times = WEEKS_A_YEAR if is_weekly else 1.0
    weights = Keeping(keeping / times, short_cost(keeping / times, SERVICE_LEVEL))
    search = best_weekly_level if is_weekly else best_watched_level
    found = search(a_year / times, wanted, weights, terms)
    if found is None:
        return replace(own, why_not=why_none_fits(terms))
    orders, order_cost = found.orders * times, terms.cost_of(found.order_packs)
    litres = use.litres_per_year + own.thrown_away_l
    return replace(
        own, level=found.level, order_packs=found.order_packs, up_to=found.up_to, order_cost=order_cost,
        orders_per_year=orders, on_shelf_l=found.on_shelf_packs * pack.size_l, dry_share=found.dry_share,
        cost_per_year=orders * order_cost + keeping * found.on_shelf_packs,
        whole_per_year=found.cost * times + litres * price / pack.size_l,
    )  # fmt: skip


def _leads(offer: Offer, *, is_weekly: bool) -> tuple[tuple[float, float], ...]:
    """Return the working days until an order stands on the shelf, with the chance of each.

    From enough past orders on each lead is as likely as it was seen. Before that an order is on time as often as the
    lower end of the range of his share says, else late by the house's margin; a supplier nobody knows counts as late.
    """
    more = SHELF_DAY if is_weekly else ORDER_DAY + SHELF_DAY
    seen = offer.punctuality
    if seen.is_margin_learned:
        return tuple(
            (float(days + more), count / len(seen.leads))
            for days, count in sorted(Counter(seen.leads).items())
        )
    named = float(offer.figures.lead_working_days + more)
    late = named + seen.margin_days * WORKING_DAYS_A_WEEK / DAYS_A_WEEK
    on_time = seen.low_share or 0.0
    return ((named, on_time), (late, 1.0 - on_time)) if on_time else ((late, 1.0),)


def _terms(product: Product, use: SteadyUse, offer: Offer, pack: Pack, least_level: int) -> OrderTerms:
    """Return what an order of this pack alone costs and how much it may be, as the supplier's row says."""
    row, price = offer.row, float(pack.price)
    by_litres = ceil((row.minimum_l or 0.0) / pack.size_l - 1e-9)
    by_money = ceil(float(row.minimum_cost or 0) / price - 1e-9)
    free_from = None if row.free_freight_from is None else ceil(float(row.free_freight_from) / price - 1e-9)
    least = max(1, by_litres, by_money)
    limits = []
    if product.most_on_shelf_l is not None:
        limits.append(floor(product.most_on_shelf_l / pack.size_l + 1e-9))
    if product.sealed_life_months is not None:
        limits.append(
            floor(use.litres_per_year * product.sealed_life_months / MONTHS_A_YEAR / pack.size_l + 1e-9)
        )
    return OrderTerms(
        HOUSE_ORDER_COST if row.order_cost is None else float(row.order_cost), float(row.freight_cost or 0),
        free_from, ceil(least / pack.multiple) * pack.multiple, pack.multiple, min(limits, default=None), least_level,
    )  # fmt: skip
