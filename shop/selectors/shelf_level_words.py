"""The sentences of the standing shelf levels."""

from collections.abc import Sequence

from shop.models import Product
from shop.planning.demand import SERVICE_LEVEL
from shop.planning.pack_costs import MONTHS_A_YEAR
from shop.planning.shelf_levels import OrderTerms
from shop.selectors.shelf_level_facts import PackTried
from shop.selectors.steady_use import SteadyUse


def count_of(packs: int, noun: str = "pack") -> str:
    """Write a number of packs: “1 pack”, “3 packs”."""
    return f"{packs} {noun}{'' if packs == 1 else 's'}"


def lead_words(leads: Sequence[tuple[float, float]], past_orders: int, *, is_seen: bool) -> str:
    """Say how long an order takes until it stands on the shelf, and how surely."""
    if is_seen:
        return f"{leads[0][0]:g} to {leads[-1][0]:g} working days, as {past_orders} past orders show"
    if len(leads) == 1:
        why = "none of his past orders was on time" if past_orders else "no order of his is over yet"
        return f"{leads[0][0]:g} working days: {why}, so each counts as late"
    (named, on_time), (late, _) = leads
    return f"{named:g} working days in {on_time * 100:.0f} of 100 orders, {late:g} in the others"


def rule_words(chosen: PackTried, *, is_weekly: bool) -> str:
    """Return the sentence for the shelf."""
    level, pack = chosen.level or 0, f"full {chosen.pack} pack"
    left = f"{count_of(level, pack)} or fewer are left" if level else f"no {pack} is left"
    if level == 1:
        left = f"1 {pack} or none is left"
    if is_weekly:
        return f"Look once a week: when {left}, order up to {chosen.up_to} × {chosen.pack} from {chosen.supplier}."
    return f"Order when {left}: {chosen.order_packs} × {chosen.pack} from {chosen.supplier}."


def why_words(chosen: PackTried, use: SteadyUse, currency: str, *, is_weekly: bool) -> str:
    """Say in one sentence why this level and this order."""
    said = (
        f"{use.litres_per_year:.1f} L a year ({use.source}) are {chosen.packs_per_year:.1f} packs of {chosen.pack}; "
        f"{chosen.supplier} takes {chosen.lead}, when {chosen.wanted_packs:.2f} packs go on average"
        f"{', the week to the next look counted in' if is_weekly else ''}; with {chosen.order_cost:.2f} {currency} an "
        f"order and {chosen.keeping_per_pack_year:.2f} a year for keeping a pack this costs least where "
        f"{SERVICE_LEVEL * 100:.0f} of 100 orders have to come in time."
    )
    if use.recorded_l > use.typed_l > 0:
        said += f" On record are {use.recorded_l:.1f} L, more than typed: correct the product's top-ups."
    return said


def limit_words(product: Product, use: SteadyUse, chosen: PackTried) -> str:
    """Say what keeps the packs at hand down."""
    said = []
    if product.sealed_life_months is None:
        said.append("Its use-by is not on record, so nobody can say whether all is used before it.")
    else:
        litres = use.litres_per_year * product.sealed_life_months / MONTHS_A_YEAR
        said.append(f"{litres:.0f} L are used steadily in the {product.sealed_life_months} months it keeps.")
    if product.most_on_shelf_l is not None:
        said.append(f"The room holds {product.most_on_shelf_l:g} L.")
    if chosen.most_packs is not None:
        said.append(f"So no rule may ask for more than {count_of(chosen.most_packs)} of {chosen.pack}.")
    if chosen.thrown_away_l:
        said.append(f"Of opened packs {chosen.thrown_away_l:.0f} L a year outlive their opened life.")
    return " ".join(said)


def planned_words(use: SteadyUse) -> str:
    """Say why a product without steady use has no level."""
    litres = f"about {use.planned_l:.0f} L a year" if use.planned_l else "litres not known"
    return f"Taken for planned jobs only ({litres}), which are known ahead: the order plan orders for them."


def none_fits_words(tried: Sequence[PackTried]) -> str:
    """Say why no pack has a rule."""
    if all(own.most_packs == 0 for own in tried):
        return "Even one pack is more than the steady use empties before its use-by, or than the room holds: keep none."
    return (
        "No pack fits: " + "; ".join(f"{own.pack} from {own.supplier}, {own.why_not}" for own in tried) + "."
    )


def why_none_fits(terms: OrderTerms) -> str:
    """Say why a pack has no rule."""
    least = count_of(terms.least_packs)
    return f"least order {least} at a level of {terms.least_level}, room and use-by allow {terms.most_packs}"
