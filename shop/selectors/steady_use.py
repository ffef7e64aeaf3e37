"""What a shelf loses steadily, beside its planned jobs."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Q, Sum

from shop.models import Depot, Job, Product, StockItem, StockMovement
from shop.planning.pack_costs import MONTHS_A_YEAR
from shop.selectors.fleet_use import filled_rows, fleet_use, total

LOOK_BACK_DAYS = 365


@dataclass(frozen=True, slots=True)
class SteadyUse:
    """Litres of a product a year on one shelf.

    litres_per_year: taken steadily: what is typed as top-ups of the product, whole at every shelf as the order list
    takes it; where none is typed, what was recorded. source: which of the two. typed_l: what is typed. recorded_l:
    top-ups, corrections and takings without a job of the last 365 days. planned_l: services, at the present use.
    units_unknown: units whose litres cannot be said.
    """

    litres_per_year: float
    source: str
    typed_l: float
    recorded_l: float
    planned_l: float
    units_unknown: int

    @property
    def with_planned_l(self) -> float:
        """All litres a year."""
        return self.litres_per_year + self.planned_l


def steady_uses(depot: Depot, as_of: date, product: Product | None = None) -> dict[int, SteadyUse]:
    """Return product → its use on a shelf: of every product used there or standing there, or of one."""
    served = [depot, *Depot.objects.filter(stores_at=depot)]
    planned: dict[int, float] = defaultdict(float)
    unknown: dict[int, int] = defaultdict(int)
    use = fleet_use(served, product)
    for own, rows in filled_rows(use).items():
        litres = use.of(rows).planned_l(own)
        planned[own.pk], unknown[own.pk] = total(litres), int(np.isnan(litres).sum())
    recorded = _recorded(served, depot, as_of)
    on_shelf = StockItem.objects.filter(depot=depot, on_shelf_l__gt=0).values("product")
    if product is not None:
        wanted = Product.objects.filter(pk=product.pk)
    else:
        wanted = Product.objects.filter(
            Q(pk__in={*planned, *unknown, *recorded}) | Q(pk__in=on_shelf) | Q(top_ups_l_per_month__gt=0)
        )
    return {
        own.pk: _use(own.top_ups_l_per_month * MONTHS_A_YEAR, recorded[own.pk], planned[own.pk], unknown[own.pk])
        for own in wanted
    }  # fmt: skip


def _use(typed_l: float, recorded_l: float, planned_l: float, units_unknown: int) -> SteadyUse:
    recorded_l = max(0.0, recorded_l)
    if typed_l:
        return SteadyUse(
            typed_l, "top-ups typed for the product", typed_l, recorded_l, planned_l, units_unknown
        )
    source = "top-ups and takings on record, last 365 days" if recorded_l else ""
    return SteadyUse(recorded_l, source, typed_l, recorded_l, planned_l, units_unknown)


def _recorded(served: list[Depot], depot: Depot, as_of: date) -> dict[int, float]:
    """Return product → litres taken in the last year for no planned service."""
    since = as_of - timedelta(days=LOOK_BACK_DAYS)
    found: dict[int, float] = defaultdict(float)
    jobs = Job.objects.filter(
        vehicle__depot__in=served, state=Job.State.HANDED_BACK, done_on__gt=since, done_on__lte=as_of,
        product__isnull=False, in_l__isnull=False,
    ).exclude(kind=Job.Kind.SERVICE)  # fmt: skip
    for product_pk, in_l, product_in_l in jobs.values_list("product", "in_l", "product_in_l"):
        found[product_pk] += in_l if product_in_l is None else product_in_l
    takings = StockMovement.objects.filter(
        item__depot=depot, job__isnull=True, moved_at__date__gt=since,
        reason__in=[StockMovement.Reason.FILLED, StockMovement.Reason.RETURNED],
    ).values("item__product").annotate(litres=Sum("litres"))  # fmt: skip
    for row in takings.order_by():
        found[row["item__product"]] -= row["litres"]
    return found
