"""Who sells what: each product's suppliers with their priced packs, their days, and how punctual they have been."""

from dataclasses import dataclass
from datetime import date

from shop.models import Depot, Pack, Supplier
from shop.planning.ordering import Supplier as SupplierFigures
from shop.planning.packs import Pack as PackFigures
from shop.planning.punctuality import Punctuality
from shop.planning.suppliers import horizon_days
from shop.selectors.suppliers import pack_figures, punctuality_by_supplier, supplier_figures


@dataclass(frozen=True, slots=True)
class Offer:
    """A supplier of a product with his packs, as rows and as figures."""

    row: Supplier
    figures: SupplierFigures
    packs: tuple[PackFigures, ...]
    punctuality: Punctuality

    @property
    def rank_as_usual(self) -> tuple[float, int]:
        """The usual supplier is the one with the cheapest litre, of equals the faster; the horizon follows him."""
        return min(float(pack.price) / pack.size_l for pack in self.packs), self.figures.lead_working_days

    def horizon_days(self, as_of: date) -> int:
        """Days of jobs an order placed today serves; the margin for a late delivery is his own once it is learned."""
        return horizon_days(
            self.figures.lead_working_days,
            as_of,
            self.figures.closed_days,
            buffer_days=self.punctuality.margin_days,
        )


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
    punctuality = punctuality_by_supplier(supplier_pk for _, supplier_pk in grouped)
    offers: dict[int, list[Offer]] = {}
    for (product_pk, supplier_pk), packs in grouped.items():
        row = packs[0].supplier
        own = tuple(pack_figures(pack) for pack in packs)
        offers.setdefault(product_pk, []).append(
            Offer(row, supplier_figures(row, closed[supplier_pk]), own, punctuality[supplier_pk])
        )
    return offers
