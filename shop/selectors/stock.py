"""What Stores look at: shelves with their sums, batches and where they went, tomorrow's pick list, labels."""

import datetime
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Q, QuerySet

from shop import clock
from shop.models import (
    Depot,
    Job,
    LastService,
    MixingBan,
    OrderedLine,
    Person,
    Product,
    Reservation,
    StockItem,
    StockMovement,
    Unit,
    UnitModel,
)
from shop.planning.demand import DUST_L
from shop.planning.kits import KitItem
from shop.planning.ordering import FluidShelf
from shop.selectors.access import depots_of, jobs_of
from shop.selectors.exchange import UnitPlan, plans_for_units
from shop.selectors.fluid_checks import product_to_reserve_l
from shop.selectors.may_go_in import RINSE_FIRST, FluidRules, products_in
from shop.selectors.shelf import first_to_use, is_past_use_by, last_day, on_order, shelves_of

NEWEST_MOVEMENTS = 50


@dataclass(frozen=True, slots=True)
class ItemShown:
    """One stock item and whether it may be poured today, with the reason when it may not.

    last_day: its use-by or the end of its opened life, whichever is sooner.
    """

    item: StockItem
    why_not: str
    last_day: datetime.date | None
    is_tank: bool

    @property
    def is_usable(self) -> bool:
        """True when it may be poured today."""
        return not self.why_not


@dataclass(frozen=True, slots=True)
class ProductShown:
    """One product on one shelf: the sums, kept apart, and the packs behind them."""

    product: Product
    depot: Depot
    litres: FluidShelf
    on_order_l: float
    late: tuple[str, ...]
    items: tuple[ItemShown, ...]


def shelves_seen(person: Person) -> QuerySet[Depot]:
    """Return the shelves that serve a person's depots."""
    pks = {depot.stores_at_id or depot.pk for depot in depots_of(person)}
    return Depot.objects.filter(pk__in=pks).order_by("code")


def product_find(code: str) -> Product | None:
    """Return a product by its code."""
    return Product.objects.filter(code=code).first()


def products_known() -> QuerySet[Product]:
    """Return every product, by code."""
    return Product.objects.order_by("code")


def stock_items_of(person: Person) -> QuerySet[StockItem]:
    """Return the packs on the shelves that serve a person's depots."""
    return StockItem.objects.filter(depot__in=shelves_seen(person)).select_related("product", "depot", "tank")


def packs_to_count(shelf: Depot) -> list[StockItem]:
    """Return what stands on a shelf in the order of its places; tanks are dipped instead."""
    items = StockItem.objects.filter(depot=shelf, on_shelf_l__gt=0, tank=None).select_related("product")
    return sorted(items, key=lambda item: (item.place or item.label, item.label, item.pk))


def movements_of(person: Person) -> QuerySet[StockMovement]:
    """Return the stock movements of those shelves."""
    return StockMovement.objects.filter(item__in=stock_items_of(person)).select_related(
        "item__product", "item__depot", "job", "moved_by"
    )


def ordered_of(person: Person) -> QuerySet[OrderedLine]:
    """Return what was ordered for those shelves."""
    return OrderedLine.objects.filter(depot__in=shelves_seen(person)).select_related(
        "product", "supplier", "depot"
    )


def stock_of(person: Person, product: Product | None = None) -> list[ProductShown]:
    """Return each product on each shelf with its five sums; empty packs are left out."""
    shown = []
    for depot in shelves_seen(person):
        today = clock.today(depot.time_zone)
        sums = shelves_of(depot.pk, today, {}, set())
        coming = on_order(depot.pk, today)
        items: dict[int, list[StockItem]] = defaultdict(list)
        for item in StockItem.objects.filter(depot=depot, on_shelf_l__gt=0).select_related(
            "product", "depot", "tank"
        ):
            items[item.product_id].append(item)
        wanted = Product.objects.filter(pk__in={*sums, *coming})
        for own in wanted if product is None else wanted.filter(pk=product.pk):
            shelf, order = sums.get(own.pk), coming.get(own.pk)
            shown.append(
                ProductShown(
                    own,
                    depot,
                    shelf.litres if shelf else FluidShelf(0.0),
                    order.in_time_l if order else 0.0,
                    tuple(order.late) if order else (),
                    tuple(_shown(item, today) for item in _in_order_of_use(items[own.pk])),
                )
            )
    return shown


def reservations_of(person: Person) -> QuerySet[Reservation]:
    """Return the litres promised from the shelves that serve a person's depots."""
    return Reservation.objects.filter(depot__in=shelves_seen(person), is_open=True).select_related(
        "unit__unit_model", "product", "depot"
    )


def _in_order_of_use(items: Iterable[StockItem]) -> list[StockItem]:
    return sorted(items, key=lambda item: (item.opened_on is None, item.use_by or datetime.date.max, item.pk))


def item_shown(item: StockItem) -> ItemShown:
    """Return an item with whether it may be poured today."""
    return _shown(item, clock.today(item.depot.time_zone))


def _shown(item: StockItem, today: datetime.date) -> ItemShown:
    why_not = ""
    if item.is_quarantined:
        why_not = "in quarantine"
    elif is_past_use_by(item, today):
        by_life = item.use_by is None or item.use_by >= today
        why_not = "past its opened life" if by_life else "past its use-by"
    return ItemShown(item, why_not, last_day(item), hasattr(item, "tank"))


@dataclass(frozen=True, slots=True)
class UnitWithBatch:
    """A unit that had litres of a batch, and whether that fill is still in it."""

    unit: Unit
    job: Job
    litres: float | None
    is_still_in: bool


@dataclass(frozen=True, slots=True)
class BatchTrace:
    """Where a batch stands and where it went."""

    product: Product
    batch: str
    items: list[ItemShown]
    units: list[UnitWithBatch]

    @property
    def is_set_aside(self) -> bool:
        """True when every pack of it that is left is in quarantine."""
        return bool(self.items) and all(own.item.is_quarantined for own in self.items)

    @property
    def is_part_set_aside(self) -> bool:
        """True when some pack of it is in quarantine."""
        return any(own.item.is_quarantined for own in self.items)


def batch_trace(person: Person, product: Product, batch: str) -> BatchTrace:
    """Return a batch's packs in the person's depots and every unit it went into, the latest job first."""
    items = stock_items_of(person).filter(product=product, batch=batch)
    jobs = jobs_of(person).filter(
        Q(product=product) | Q(product=None, unit__unit_model__product=product), batch__contains=batch
    )
    jobs = [job for job in jobs.order_by("-done_on", "-pk") if batch in batches_in(job.batch)]
    last = {
        own.unit_id: own
        for own in LastService.objects.filter(unit__in={job.unit_id for job in jobs}, subject="fluid")
    }
    taken: dict[int, float] = defaultdict(float)
    for job_pk, litres in StockMovement.objects.filter(
        job__in=jobs, item__batch=batch, reason=StockMovement.Reason.FILLED
    ).values_list("job", "litres"):
        taken[job_pk] -= litres
    units = [
        UnitWithBatch(
            job.unit, job, taken.get(job.pk, job.in_l), _is_still_in(job, last.get(job.unit_id), batch)
        )
        for job in jobs
    ]
    return BatchTrace(product, batch, [item_shown(item) for item in items], units)


def batches_in(text: str) -> list[str]:
    """Return the batches named in a job's batch text."""
    return [one.strip() for one in text.split(",") if one.strip()]


def _is_still_in(job: Job, last: LastService | None, batch: str) -> bool:
    """A full change since takes all of it out; after a partial one some of it stays."""
    if last is None or last.done_on is None or job.done_on is None or last.done_on <= job.done_on:
        return True
    return last.fresh_share is None or last.fresh_share < 1.0 or batch in batches_in(last.batch)


@dataclass(frozen=True, slots=True)
class Pick:
    """What to fetch for one booked job."""

    job: Job
    product: Product | None
    litres: float | None
    from_items: tuple[tuple[StockItem, float], ...]
    short_l: float
    parts: tuple[KitItem, ...]
    warning: str = ""


@dataclass(frozen=True, slots=True)
class PickList:
    """One depot's fetching for one day, in shelf order."""

    depot: Depot
    day: datetime.date
    picks: list[Pick] = field(default_factory=list)


def pick_lists(person: Person, day: datetime.date | None = None) -> list[PickList]:
    """Return what to fetch for the jobs booked on a day, by default tomorrow; first expired first, no litre twice."""
    rules, lists = FluidRules.read(), []
    for depot in depots_of(person).select_related("stores_at").order_by("code"):
        wanted = day or clock.today(depot.time_zone) + datetime.timedelta(days=1)
        jobs = _booked_on(person, depot, wanted)
        units = [job.unit for job in jobs]
        plans, held = plans_for_units(units), products_in(units)
        shelf = _Fetched(depot.stores_at or depot, wanted)
        picks = [_pick(job, plans[job.unit_id], shelf, rules, held.get(job.unit_id)) for job in jobs]
        picks.sort(
            key=lambda own: own.from_items[0][0].place or own.from_items[0][0].label if own.from_items else ""
        )
        lists.append(PickList(depot, wanted, picks))
    return lists


class _Fetched:
    """What is left of a shelf while one job after the other is served."""

    def __init__(self, shelf: Depot, day: datetime.date) -> None:
        self.shelf, self.day = shelf, day
        self._items: dict[int, list[StockItem]] = {}
        self._left_l: dict[int, float] = {}

    def take(self, product: Product, litres: float) -> tuple[tuple[tuple[StockItem, float], ...], float]:
        """Return the packs to take litres from, first expired first, and the litres that are not there."""
        if product.pk not in self._items:
            self._items[product.pk] = first_to_use(self.shelf.pk, product, self.day)
        wanted_l, taken = litres, []
        for item in self._items[product.pk]:
            there_l = self._left_l.setdefault(item.pk, item.on_shelf_l)
            from_this_l = min(wanted_l, there_l)
            if from_this_l > 0:
                self._left_l[item.pk] -= from_this_l
                wanted_l -= from_this_l
                taken.append((item, from_this_l))
        return tuple(taken), wanted_l if wanted_l > DUST_L else 0.0


def _booked_on(person: Person, depot: Depot, day: datetime.date) -> list[Job]:
    zone = zoneinfo.ZoneInfo(depot.time_zone)
    start = datetime.datetime.combine(day, datetime.time(), zone)
    return list(
        jobs_of(person)
        .filter(
            vehicle__depot=depot, state=Job.State.BOOKED, booked_for__gte=start,
            booked_for__lt=start + datetime.timedelta(days=1),
        )
        .select_related("unit__unit_model__product", "vehicle__depot")
        .order_by("booked_for", "pk")
    )  # fmt: skip


def _pick(job: Job, plan: UnitPlan, shelf: _Fetched, rules: FluidRules, held: Product | None) -> Pick:
    model = job.unit.unit_model
    product = model.product
    litres = product_to_reserve_l(plan)
    if product is None or litres is None:
        return Pick(
            job, product, None, (), 0.0, plan.parts, plan.cannot_say or "No product is chosen for this unit."
        )
    reason = rules.why_not(product, model)
    if reason:
        return Pick(job, product, litres, (), litres, plan.parts, reason)
    taken, short_l = shelf.take(product, litres)
    rinse = rules.why_rinse(product, model, held)
    warnings = [f"{short_l:.1f} L are not on the shelf."] * bool(short_l) + [f"{rinse} {RINSE_FIRST}"] * bool(
        rinse
    )
    return Pick(job, product, litres, taken, short_l, plan.parts, " ".join(warnings))


@dataclass(frozen=True, slots=True)
class ShelfLabel:
    """What stands on the label of a product's place: what it meets, where it goes, where it must never go."""

    product: Product
    meets: list[str]
    goes_in: list[UnitModel]
    never: list[str]


def shelf_label(product: Product) -> ShelfLabel:
    """Return a product's label; “never” lists bans and every unit model it would be refused for."""
    meets = [
        f"{approval.specification.code} ({approval.strength})"
        for approval in product.approvals.select_related("specification").order_by("specification__code")
    ]
    bans = [
        f"never with {ban.other_product.code if ban.product_id == product.pk else ban.product.code}: {ban.reason}"
        for ban in MixingBan.objects.filter(
            Q(product=product) | Q(other_product=product), other_product__isnull=False
        ).select_related("product", "other_product")
    ]
    goes_in = list(UnitModel.objects.filter(product=product).order_by("code"))
    refused = [
        f"not into {ban.unit_model.code}: {ban.reason}"
        for ban in MixingBan.objects.filter(product=product, unit_model__isnull=False).select_related(
            "unit_model"
        )
    ]
    return ShelfLabel(product, meets, goes_in, [*refused, *bans])
