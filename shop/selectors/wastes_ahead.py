"""Where the levels of the containers will stand: at the rate they fill, and from the jobs due."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from shop import clock
from shop.models import Depot, Product
from shop.planning.waste_level import WEEKS_AHEAD, LevelAhead, PourDue, level_ahead, level_by_jobs
from shop.selectors.needs import needs_of
from shop.selectors.wastes import Container


@dataclass(frozen=True, slots=True)
class Ahead:
    """A container's level week by week, nobody collecting: at its rate, and from the jobs due alone."""

    at_rate: tuple[LevelAhead, ...]
    by_jobs: tuple[LevelAhead, ...]
    jobs: int
    unplanned: int


def levels_ahead(containers: Sequence[Container]) -> dict[int, Ahead]:
    """Return container key → its weeks ahead.

    A job brings as many old litres as its plan pours new ones; those whose litres cannot be said are counted as
    unplanned. The number of queries grows with the depots, never with the fleet.
    """
    depots = Depot.objects.filter(pk__in={own.tank.depot_id for own in containers})
    served = Depot.objects.filter(pk__in=depots) | Depot.objects.filter(stores_at__in=depots)
    there = {(own.tank.depot_id, own.tank.stream): own.tank.pk for own in containers}
    streams = dict(Product.objects.values_list("pk", "waste_stream"))
    due: dict[int, list[PourDue]] = defaultdict(list)
    unplanned: dict[int, int] = defaultdict(int)
    for depot in served.distinct().order_by("code"):
        needs = needs_of(clock.today(depot.time_zone), [depot.pk], dict.fromkeys(streams, 7 * WEEKS_AHEAD))
        for product, need in needs.items():
            tank = there.get((depot.pk, streams[product])) or there.get(
                (depot.stores_at_id, streams[product])
            )
            if tank is None:
                continue
            unplanned[tank] += len(need.unplanned)
            for job, plan in zip(need.jobs, need.plans, strict=True):
                # What the plan pours in all: of a coolant the water comes out as well.
                litres = plan.best.total_to_reserve_l if plan.best else job.litres
                due[tank].append(
                    PourDue(job.needed_on, litres, job.p_due * job.turns_up_share * job.passes_gate_share)
                )
    found = {}
    for own in containers:
        today, jobs = clock.today(own.tank.depot.time_zone), due[own.tank.pk]
        found[own.tank.pk] = Ahead(
            level_ahead(own.tank.level_l, own.rate, today),
            level_by_jobs(own.tank.level_l, jobs, today),
            len(jobs),
            unplanned[own.tank.pk],
        )
    return found
