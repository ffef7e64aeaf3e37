"""Who sells what: each product's suppliers with their priced packs and their days."""

from dataclasses import dataclass
from datetime import time
from decimal import Decimal

from shop.models import Depot, Pack, Supplier
from shop.planning.ordering import Supplier as SupplierFigures
from shop.planning.packs import Pack as PackFigures

NO_CUT_OFF = time(23, 59)
"""The cut-off of a supplier who has none."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A supplier of a product with his packs, as rows and as figures."""

    row: Supplier
    figures: SupplierFigures
    packs: tuple[PackFigures, ...]

    @property
    def rank_as_usual(self) -> tuple[float, int]:
        """The usual supplier is the one with the cheapest litre, of equals the faster; the horizon follows him."""
        return min(float(pack.price) / pack.size_l for pack in self.packs), self.figures.lead_working_days


def offers_to(depot: Depot) -> dict[int, list[Offer]]:
    """Return product → suppliers with their priced packs; a day on which either side is closed is no working day."""
    own_closed = set(depot.closed_days.values_list("day", flat=True))
    grouped: dict[tuple[int, int], list[Pack]] = {}
    for pack in (
        Pack.objects.filter(price__gt=0).select_related("supplier").order_by("supplier__code", "size_l")
    ):
        grouped.setdefault((pack.product_id, pack.supplier_id), []).append(pack)
    closed = {
        supplier.pk: frozenset(own_closed | {day.day for day in supplier.closed_days.all()})
        for supplier in Supplier.objects.prefetch_related("closed_days")
    }
    offers: dict[int, list[Offer]] = {}
    for (product_pk, supplier_pk), packs in grouped.items():
        row = packs[0].supplier
        figures = SupplierFigures(
            name=row.name,
            lead_working_days=row.lead_working_days,
            cut_off=row.cut_off or NO_CUT_OFF,
            closed_days=closed[supplier_pk],
            minimum_l=row.minimum_l or 0.0,
            minimum_cost=row.minimum_cost or Decimal(0),
            free_freight_from=row.free_freight_from,
        )
        own = tuple(PackFigures(pack.size_l, pack.price, pack.printed, pack.multiple) for pack in packs)
        offers.setdefault(product_pk, []).append(Offer(row, figures, own))
    return offers
