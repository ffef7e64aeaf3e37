"""The draft of an order: what the ordering list proposes from one supplier, in packs that can be changed."""

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from shop import clock
from shop.models import Depot, Pack, Person, Product, ProposedLine, Supplier, SupplierOrder
from shop.planning.order_checks import OrderCheck, OrderHour, PacksWanted, check_order, order_hour
from shop.planning.ordering import Supplier as SupplierFigures
from shop.planning.punctuality import Punctuality
from shop.selectors.access import proposed_lines_of
from shop.selectors.stock import shelves_seen
from shop.selectors.suppliers import closed_days_of, pack_figures, punctuality_by_supplier, supplier_figures

SOON = ("order today", "this week")


@dataclass(frozen=True, slots=True)
class PackOffered:
    """One pack and how many of it the draft begins with."""

    pack: Pack
    count: int


@dataclass(frozen=True, slots=True)
class ProductOffered:
    """One product the supplier sells. line: what the ordering list says about it, None when it says nothing."""

    product: Product
    line: ProposedLine | None
    packs: list[PackOffered]


@dataclass(frozen=True, slots=True)
class OrderDraft:
    """A draft as it begins: what is proposed, what else the supplier sells, his terms and his next cut-off."""

    depot: Depot
    supplier: Supplier
    figures: SupplierFigures
    number: int
    hour: OrderHour
    today: datetime.date
    punctuality: Punctuality
    proposed: list[ProductOffered]
    more: list[ProductOffered]

    @property
    def packs(self) -> list[PackOffered]:
        """Every pack that can be ordered."""
        return [own for product in (*self.proposed, *self.more) for own in product.packs]


def packs_of(supplier: Supplier) -> dict[tuple[str, str], Pack]:
    """Return (product code, print) → pack of what a supplier sells at a price."""
    packs = Pack.objects.filter(supplier=supplier, price__gt=0).select_related("product")
    return {(pack.product.code, pack.printed): pack for pack in packs}


def draft_checked(draft: OrderDraft, counts: Sequence[tuple[Pack, int]]) -> OrderCheck:
    """Add a draft up as it stands and hold it against the supplier's terms.

    counts: (pack, how many) of the draft's packs.
    """
    wanted = [PacksWanted(pack.product.code, pack_figures(pack), count) for pack, count in counts]
    return check_order(draft.figures, wanted)


def litres_wanted(counts: Sequence[tuple[Pack, int]]) -> dict[int, float]:
    """Return product → litres of so many packs."""
    litres: dict[int, float] = defaultdict(float)
    for pack, count in counts:
        litres[pack.product_id] += pack_figures(pack).size_l * count
    return dict(litres)


def order_draft(depot: Depot, supplier: Supplier) -> OrderDraft:
    """Return the draft of the next order of a shelf with a supplier.

    Lines to order today or this week begin with the packs proposed; those that can wait, and all else the supplier
    sells, begin with none, to fill an order up to its minimum.
    """
    today, now_time = clock.today(depot.time_zone), clock.local_time(depot.time_zone)
    lines = {
        line.product_id: line
        for line in ProposedLine.objects.filter(depot=depot, supplier=supplier, order_l__gt=0)
    }
    packs: dict[int, list[Pack]] = defaultdict(list)
    products: dict[int, Product] = {}
    for pack in (
        Pack.objects.filter(supplier=supplier, price__gt=0)
        .select_related("product")
        .order_by("product__code", "-size_l", "pk")
    ):
        products[pack.product_id] = pack.product
        packs[pack.product_id].append(pack)
    offered = [
        ProductOffered(product, lines.get(pk), _begin(packs[pk], lines.get(pk)))
        for pk, product in products.items()
    ]
    figures = supplier_figures(supplier, closed_days_of(supplier, depot))
    return OrderDraft(
        depot=depot,
        supplier=supplier,
        figures=figures,
        number=SupplierOrder.objects.filter(depot=depot, supplier=supplier).count(),
        hour=order_hour(figures, today, now_time),
        today=today,
        punctuality=punctuality_by_supplier([supplier.pk])[supplier.pk],
        proposed=[own for own in offered if own.line is not None],
        more=[own for own in offered if own.line is None],
    )


def _begin(packs: Sequence[Pack], line: ProposedLine | None) -> list[PackOffered]:
    counts = {}
    if line is not None and line.when in SOON:
        counts = {own["printed"]: own["count"] for own in line.facts.get("packs", ())}
    return [PackOffered(pack, counts.get(pack.printed, 0)) for pack in packs]


@dataclass(slots=True)
class DraftOffered:
    """One order that can be placed now: how many lines, litres and money are proposed from the supplier."""

    depot: Depot
    supplier: Supplier
    lines: int = 0
    litres: float = 0.0
    cost: Decimal = field(default_factory=Decimal)
    is_today: bool = False


def drafts_offered(person: Person) -> list[DraftOffered]:
    """Return the orders the ordering list asks for today or this week, those of today first."""
    found: dict[tuple[int, int], DraftOffered] = {}
    lines = proposed_lines_of(person).filter(when__in=SOON, supplier__isnull=False, order_l__gt=0)
    for line in lines.order_by("depot__code", "supplier__name", "pk"):
        own = found.setdefault((line.depot_id, line.supplier_id), DraftOffered(line.depot, line.supplier))
        own.lines += 1
        own.litres += line.order_l
        own.cost += line.cost or Decimal(0)
        own.is_today = own.is_today or line.when == SOON[0]
    return sorted(found.values(), key=lambda own: not own.is_today)


def shelf_of(person: Person, code: str) -> Depot | None:
    """Return a shelf that serves the person's depots by its code."""
    return shelves_seen(person).filter(code=code).first()
