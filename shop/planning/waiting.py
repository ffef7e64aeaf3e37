"""Which jobs wait for fluid that is on order, and from which day on they have it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from shop.planning.demand import DUST_L, JobNeed, jobs_that_fall
from shop.planning.ordering import LIKELY_SHARE


@dataclass(frozen=True, slots=True)
class Arrival:
    """Litres on order and the day they are to come; one that is past has not come yet and may on any day."""

    litres: float
    coming_on: date
    order: str = ""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A likely job that free stock does not cover and deliveries on the way do.

    arrival: the delivery that completes its litres. is_in_time: it comes before the day the fluid is poured.
    """

    job: JobNeed
    arrival: Arrival
    is_in_time: bool


def jobs_waiting(jobs: Sequence[JobNeed], free_l: float, arrivals: Sequence[Arrival]) -> tuple[Waiting, ...]:
    """Say which likely jobs wait for which delivery.

    Free stock goes to the jobs in date order as in `jobs_that_fall`. The jobs that fall then share, in the same
    order, what is left of it and what comes, each the whole of its litres, earliest delivery first. A job that all
    deliveries together do not cover is not waiting for one: it falls, and stands on the ordering list.

    jobs: of one fluid. free_l: litres free on the shelf today. arrivals: what is on the way, in any order.
    """
    falls = jobs_that_fall(jobs, free_l)
    coming = sorted(arrivals, key=lambda own: own.coming_on)
    left_l = free_l - sum((job.probability or 0.0) * (job.litres or 0.0) for job in jobs if job not in falls)
    found = []
    for job in falls:
        if (job.probability or 0.0) < LIKELY_SHARE or job.litres is None:
            continue
        arrival = _covering(coming, job.litres - left_l)
        if arrival is not None:
            left_l -= job.litres
            found.append(Waiting(job, arrival, arrival.coming_on < job.needed_on))
    return tuple(found)


def _covering(coming: Sequence[Arrival], litres: float) -> Arrival | None:
    """The delivery with which the sum of what comes reaches these litres."""
    sum_l = 0.0
    for arrival in coming:
        sum_l += arrival.litres
        if sum_l >= litres - DUST_L:
            return arrival
    return None
