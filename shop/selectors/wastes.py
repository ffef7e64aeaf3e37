"""Containers of old fluid with their levels, rates and call days, and the collector's visits."""

import datetime
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, QuerySet

from shop import clock
from shop.models import (
    CollectionLine,
    Depot,
    Pack,
    Person,
    Product,
    Supplier,
    WasteCollection,
    WasteMovement,
    WasteTank,
)
from shop.planning.waste import WasteState, call_by
from shop.planning.waste_level import LOOK_BACK_DAYS, FillingRate, filling_rate
from shop.selectors.access import depots_of

NEWEST = 50
NEWEST_VISITS = 20


@dataclass(frozen=True, slots=True)
class Container:
    """A container, how fast it fills, when to call, and the visit it is called for already (None without one)."""

    tank: WasteTank
    rate: FillingRate
    call: WasteState
    open_line: CollectionLine | None


def containers_of(person: Person) -> QuerySet[WasteTank]:
    """Return the containers of a person's depots."""
    return WasteTank.objects.filter(depot__in=depots_of(person)).select_related("depot")


def waste_movements_of(person: Person) -> QuerySet[WasteMovement]:
    """Return what moved in the containers of a person's depots."""
    return WasteMovement.objects.filter(tank__depot__in=depots_of(person)).select_related(
        "tank__depot", "job__unit", "collection", "moved_by"
    )


def collections_of(person: Person) -> QuerySet[WasteCollection]:
    """Return the collector's visits to a person's depots, with their lines."""
    return (
        WasteCollection.objects.filter(depot__in=depots_of(person))
        .select_related("depot", "collector", "called_by", "handed_over_by")
        .prefetch_related("lines__tank")
    )


def collectors_known() -> QuerySet[Supplier]:
    """Return everybody who may be called; a collector is kept among the suppliers.

    First come those who have collected before or sell nothing: is_collector is True of them.
    """
    sells = Exists(Pack.objects.filter(supplier=OuterRef("pk")))
    collected = Exists(WasteCollection.objects.filter(collector=OuterRef("pk"), state="done"))
    return Supplier.objects.annotate(is_collector=collected | ~sells).order_by("-is_collector", "name")


def collector_find(code: str) -> Supplier | None:
    """Return a collector by its code."""
    return Supplier.objects.filter(code=code).first()


def containers_shown(tanks: Iterable[WasteTank], today: datetime.date | None = None) -> list[Container]:
    """Return containers with their rate and call day, in two queries; today: None is each depot's own."""
    own = list(tanks)
    poured = _poured(own)
    lines = {
        line.tank_id: line
        for line in CollectionLine.objects.filter(tank__in=own, is_open=True).select_related(
            "collection__collector"
        )
    }
    found = []
    for tank in own:
        day = today or clock.today(tank.depot.time_zone)
        rate = filling_rate(poured[tank.pk], day, tank.mean_per_day_l, tank.sd_per_day_l)
        call = call_by(
            tank.level_l,
            tank.capacity_l,
            rate.mean_per_day_l,
            rate.sd_per_day_l,
            tank.collector_lead_days,
            day,
        )
        found.append(Container(tank, rate, call, lines.get(tank.pk)))
    return found


def _poured(tanks: Iterable[WasteTank]) -> Mapping[int, list[tuple[datetime.date, float]]]:
    zones = {tank.pk: zoneinfo.ZoneInfo(tank.depot.time_zone) for tank in tanks}
    since = clock.now() - datetime.timedelta(days=LOOK_BACK_DAYS + 1)
    found: dict[int, list[tuple[datetime.date, float]]] = defaultdict(list)
    rows = WasteMovement.objects.filter(
        tank__in=zones, reason=WasteMovement.Reason.POURED, moved_at__gte=since
    ).values_list("tank", "moved_at", "litres")
    for tank, at, litres in rows:
        found[tank].append((at.astimezone(zones[tank]).date(), litres))
    return found


def streams_without_container(depots: Iterable[Depot]) -> list[tuple[Depot, str]]:
    """Return depot and stream of house fluids whose old litres nobody counts: no container here or at the stores."""
    there = set(WasteTank.objects.values_list("depot", "stream"))
    streams = sorted(set(Product.objects.values_list("waste_stream", flat=True)))
    return [
        (depot, stream)
        for depot in depots
        for stream in streams
        if (depot.pk, stream) not in there and (depot.stores_at_id, stream) not in there
    ]
