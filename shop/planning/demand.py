"""How much fluid the coming jobs will take together, and which jobs go without if nothing is ordered.

Jobs are pooled before anything is rounded to packs: six jobs of 10.6 L are 63.6 L, not six times three 5 L
packs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import inf, isfinite, sqrt
from statistics import NormalDist

DUST_L = 1e-9
"""Litres below which two sums of litres are the same."""

LITRES_SD_L = 0.3
"""Standard deviation of one job's litres where its plan does not say. Common practice, no source."""

SERVICE_LEVEL = 0.95
"""Chance not to run short that stock is held for. House default."""


@dataclass(frozen=True, slots=True)
class JobNeed:
    """One job that may take fluid within the horizon.

    litres: all it takes if it happens, purge and hold-up included; None when not known.
    p_due, turns_up_share, passes_gate_share: 0..1, or None when not known.
    needed_on: the day the fluid is poured; for a job not booked, the first day it can be.
    """

    unit_label: str
    job_label: str
    litres: float | None
    p_due: float | None
    turns_up_share: float | None
    passes_gate_share: float | None
    needed_on: date
    litres_sd: float = LITRES_SD_L

    def __post_init__(self) -> None:
        """Refuse figures that cannot be; not known is allowed."""
        for share in (self.p_due, self.turns_up_share, self.passes_gate_share):
            if share is not None and (share < 0 or share > 1):
                raise ValueError(f"{self.unit_label}: a share lies between 0 and 1, not {share}; correct it.")
        if (self.litres is not None and self.litres < 0) or not self.litres_sd >= 0:
            raise ValueError(f"{self.unit_label}: litres and their spread are 0 or more; correct the job.")

    @property
    def probability(self) -> float | None:
        """Chance that the job takes its fluid, 0..1; None when any of the three shares is not known."""
        product = 1.0
        for share in (self.p_due, self.turns_up_share, self.passes_gate_share):
            if share is None or not isfinite(share):
                return None
            product *= share
        return product

    @property
    def is_known(self) -> bool:
        """Whether litres and probability are both known."""
        return self.litres is not None and isfinite(self.litres) and self.probability is not None


@dataclass(frozen=True, slots=True)
class PooledNeed:
    """What all jobs of one fluid take together.

    most_l: every known job happening, plus the baseline. order_up_to_l: litres to have, never above most_l.
    left_out: jobs whose litres or probability are not known; they are in none of the sums.
    """

    mean_l: float
    sd_l: float
    most_l: float
    order_up_to_l: float
    service_level: float
    jobs: tuple[JobNeed, ...]
    left_out: tuple[JobNeed, ...] = ()


def pool_need(
    jobs: Sequence[JobNeed],
    baseline_l: float,
    baseline_sd_l: float | None = None,
    service_level: float = SERVICE_LEVEL,
) -> PooledNeed:
    """Pool the jobs of one fluid and say how much to have.

    `mean = sum p*L + baseline`; `var = sum p*(1-p)*L^2 + sum p*s^2 + sd_baseline^2`;
    `order_up_to = min(mean + z*sd, most)`. Each job is a Bernoulli trial with an uncertain size; independent
    jobs add their variances (law of total variance). z is the normal quantile of the service level.

    jobs: those that may fall within the horizon. baseline_l: top-ups expected within it.
    baseline_sd_l: spread of the top-ups; None means top-ups are taken as a steady draw without spread,
    because one or two litres against a job of ten move the total by hundredths.
    service_level: chance of not running short, 0.5 to below 1.
    Returns a PooledNeed; jobs not known are set apart in `left_out`.
    Raises ValueError for a negative baseline or a service level outside its range.
    """
    if not baseline_l >= 0 or not 0.5 <= service_level < 1:
        raise ValueError("The baseline is 0 L or more and the service level lies from 0.5 to below 1.")
    known = tuple(job for job in jobs if job.is_known)
    mean_l = most_l = baseline_l
    variance = (baseline_sd_l or 0.0) ** 2
    for job in known:
        litres, chance = _litres_and_chance(job)
        mean_l += chance * litres
        most_l += litres
        variance += chance * (1 - chance) * litres**2 + chance * job.litres_sd**2
    sd_l = sqrt(variance)
    up_to_l = min(mean_l + NormalDist().inv_cdf(service_level) * sd_l, most_l)
    left_out = tuple(job for job in jobs if not job.is_known)
    return PooledNeed(mean_l, sd_l, most_l, up_to_l, service_level, _in_date_order(known), left_out)


def net_need_l(order_up_to_l: float, free_l: float, on_order_l: float) -> float:
    """Litres still to order: `max(0, order_up_to - free - on_order)`.

    order_up_to_l: litres to have. free_l: on the shelf and free (below zero when more is promised than there
    is). on_order_l: on the way and in time.
    """
    return max(0.0, order_up_to_l - free_l - on_order_l)


def jobs_that_fall(jobs: Sequence[JobNeed], free_l: float) -> tuple[JobNeed, ...]:
    """Jobs that free stock does not cover if nothing is ordered, in date order.

    Jobs are served by date, on one day the likelier first. A job is covered when its full litres are there;
    it then draws p*L, so that an unlikely job does not empty the shelf on paper for those after it. A job
    that falls draws nothing. Jobs with litres or probability not known are passed over.

    free_l: litres free, with what is on order in time.
    """
    left_l = free_l
    falls = []
    for job in _in_date_order(tuple(job for job in jobs if job.is_known)):
        litres, chance = _litres_and_chance(job)
        if litres > left_l + DUST_L:
            falls.append(job)
        else:
            left_l -= chance * litres
    return tuple(falls)


def first_day_short(jobs: Sequence[JobNeed], free_l: float) -> date | None:
    """First day on which free stock would not do if every known job happened; None when it does for all.

    free_l: litres free, with what is on order in time.
    """
    left_l = free_l
    for job in _in_date_order(tuple(job for job in jobs if job.is_known)):
        left_l -= _litres_and_chance(job)[0]
        if left_l < -DUST_L:
            return job.needed_on
    return None


def _litres_and_chance(job: JobNeed) -> tuple[float, float]:
    """Litres and probability of a known job; a job not known takes an impossible amount rather than none."""
    chance = job.probability
    return (inf if job.litres is None else job.litres), (1.0 if chance is None else chance)


def _in_date_order(jobs: tuple[JobNeed, ...]) -> tuple[JobNeed, ...]:
    return tuple(sorted(jobs, key=lambda job: (job.needed_on, -_litres_and_chance(job)[1], job.unit_label)))
