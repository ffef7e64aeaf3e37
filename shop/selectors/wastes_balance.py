"""The monthly balance of each stream, gathered from closed jobs and the movements of its container."""

import datetime
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from intervals.errors import HatchmarkError
from intervals.rules import add_months
from shop import clock
from shop.models import Depot, Job, Person, Product, WasteMovement, WasteTank
from shop.planning.waste_balance import MonthBalance, MonthFigures, month_balance
from shop.selectors.job_litres import litres_at_card
from shop.selectors.learned_jobs import product_of
from shop.selectors.wastes import containers_of

MONTHS = 12
_ZERO = dict.fromkeys(MonthFigures.__dataclass_fields__, 0)
Sums = dict[tuple[int, datetime.date], dict[str, float]]


class BalanceMonth(NamedTuple):
    """The first day of a month and its balance."""

    month: datetime.date
    balance: MonthBalance


@dataclass(frozen=True, slots=True)
class ContainerBalance:
    """One container's months, the oldest first; months of which nothing is known are left out."""

    tank: WasteTank
    months: tuple[BalanceMonth, ...]


def balances_of(person: Person) -> list[ContainerBalance]:
    """Return the balance of the last twelve months, this one so far included, for each of a person's containers."""
    tanks = list(containers_of(person))
    sums: Sums = defaultdict(lambda: dict(_ZERO))
    first = {tank.pk: _first_month(tank) for tank in tanks}
    _add_jobs(tanks, first, sums)
    _add_movements(tanks, first, sums)
    found = []
    for tank in tanks:
        months = sorted(month for pk, month in sums if pk == tank.pk)
        found.append(
            ContainerBalance(
                tank,
                tuple(BalanceMonth(month, month_balance(_figures(sums[tank.pk, month]))) for month in months),
            )
        )
    return found


def _first_month(tank: WasteTank) -> datetime.date:
    return add_months(clock.today(tank.depot.time_zone).replace(day=1), 1 - MONTHS)


def _figures(own: dict[str, float]) -> MonthFigures:
    counted = ("silent_jobs", "dips", "moves")
    return MonthFigures(**{name: int(value) if name in counted else value for name, value in own.items()})  # type: ignore[arg-type]


def _add_jobs(tanks: Iterable[WasteTank], first: dict[int, datetime.date], sums: Sums) -> None:
    there = {(tank.depot_id, tank.stream): tank.pk for tank in tanks}
    depots = Depot.objects.filter(pk__in={depot for depot, _ in there})
    served = Depot.objects.filter(pk__in=depots) | Depot.objects.filter(stores_at__in=depots)
    # A depot's own container goes before that at its stores, seen by this person or not.
    with_own = set(WasteTank.objects.values_list("depot", "stream"))
    jobs = (
        Job.objects.filter(
            vehicle__depot__in=served, state=Job.State.HANDED_BACK, subject="fluid",
            done_on__gte=min(first.values(), default=datetime.date.max),
        )
        .select_related("vehicle__depot", "product", "unit__unit_model__product")
        .order_by("done_on")
    )  # fmt: skip
    for job in jobs:
        product = product_of(job)
        if product is None or job.done_on is None:
            continue
        depot, stream = job.vehicle.depot, product.waste_stream
        home = depot.pk if (depot.pk, stream) in with_own else depot.stores_at_id or depot.pk
        tank = there.get((home, stream))
        if tank is None or job.done_on < first[tank]:
            continue
        own = sums[tank, job.done_on.replace(day=1)]
        went_in_l = _litres(product, job.in_l, job.in_kg, job.in_temp_c, job.strength_left_share)
        came_out_l = _litres(product, job.out_l, job.out_kg, job.out_temp_c, job.strength_found_share)
        own["filled_l"] += went_in_l or 0.0
        if job.kind == Job.Kind.TOP_UP:
            own["lost_l"] += went_in_l or 0.0
        else:
            own["silent_jobs"] += went_in_l is None or came_out_l is None
        own["drained_l"] += came_out_l or 0.0


def _litres(
    product: Product,
    litres: float | None,
    kilograms: float | None,
    temp_c: float | None,
    strength: float | None,
) -> float | None:
    """Return litres at 20 °C, None when the job says none or what it says cannot be."""
    try:
        return litres_at_card(product, litres, kilograms, temp_c, strength)
    except HatchmarkError:
        return None


def _add_movements(tanks: Iterable[WasteTank], first: dict[int, datetime.date], sums: Sums) -> None:
    zones = {tank.pk: zoneinfo.ZoneInfo(tank.depot.time_zone) for tank in tanks}
    since = datetime.datetime.combine(
        min(first.values(), default=datetime.date.max), datetime.time(), datetime.UTC
    )
    rows = (
        WasteMovement.objects.filter(tank__in=zones)
        .exclude(reason=WasteMovement.Reason.LOADED)
        .values_list("tank", "reason", "job", "moved_at", "litres")
    )
    for tank, reason, job, at, litres in rows.filter(moved_at__gte=since - datetime.timedelta(days=1)):
        month = at.astimezone(zones[tank]).date().replace(day=1)
        if month < first[tank]:
            continue
        own = sums[tank, month]
        own["moves"] += 1
        if reason == WasteMovement.Reason.COLLECTED:
            own["collected_l"] -= litres
        elif reason == WasteMovement.Reason.DIPPED:
            own["dipped_l"] += litres
            own["dips"] += 1
        else:
            own["poured_by_jobs_l" if job else "poured_by_hand_l"] += litres
