"""Packs and the price of a litre on the bench."""

from collections.abc import Sequence

from shop.models import Pack, Product
from shop.planning.packs import Pack as PackFigures
from shop.selectors.bench_request import TYPICAL_FLUID_PER_L


def packs_of(product: Product | None) -> tuple[PackFigures, ...]:
    """Return the priced packs of a product, whoever sells them."""
    if product is None:
        return ()
    rows = (
        Pack.objects.filter(product=product, price__gt=0)
        .select_related("supplier")
        .order_by("size_l", "price")
    )
    return tuple(
        PackFigures(pack.size_l, pack.price, f"{pack.printed}, {pack.supplier.name}", pack.multiple)
        for pack in rows
    )


def fluid_price_per_l(typed: float | None, packs: Sequence[PackFigures]) -> float:
    """Return the price of a litre: as typed, else in the usual pack of 20 L or the nearest to it, else typical."""
    if typed is not None:
        return typed
    if not packs:
        return TYPICAL_FLUID_PER_L
    usual = min(packs, key=lambda pack: (abs(pack.size_l - USUAL_PACK_L), pack.price))
    return float(usual.price) / usual.size_l


USUAL_PACK_L = 20.0
"""The pack a workshop usually pours from. Common practice, no source."""
