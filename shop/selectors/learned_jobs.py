"""The closed jobs that learning looks at, read once, and what speaks against learning from one."""

import datetime
from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass, field

from intervals.exchange.fluid_kinds import OIL, volume_factor
from intervals.exchange.learning import LEARNED_AT_C, Observed
from shop.models import Job, Product
from shop.selectors.may_go_in import why_not

COME_BACK_DAYS = 90
"""A level corrected within this time and before the next service speaks against the job before it. House default."""

CAME_BACK = "came back: its level was corrected afterwards"
WRONG_FLUID = "wrong fluid went in"


@dataclass(frozen=True, slots=True)
class Observation:
    """What one job shows of a figure, and how it was measured; without a value, why it teaches nothing."""

    job: str
    unit: str
    depot: str
    done_on: datetime.date
    seen: Observed | None
    measured_by: str = ""
    why_not: str = ""

    def row(self) -> dict[str, object]:
        """Return it as the evidence of a proposal holds it."""
        return {
            "job": self.job, "unit": self.unit, "depot": self.depot, "done_on": self.done_on.isoformat(),
            "value": None if self.seen is None else self.seen.value,
            "sd": None if self.seen is None else self.seen.sd, "measured_by": self.measured_by,
        }  # fmt: skip


@dataclass(slots=True)
class ClosedJobs:
    """Jobs on fluid closed up to a day, oldest first."""

    jobs: list[Job]
    _services: dict[int, list[datetime.date]] = field(init=False)
    _corrections: dict[int, list[datetime.date]] = field(init=False)
    _refused: dict[tuple[int, int], str] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._services, self._corrections = defaultdict(list), defaultdict(list)
        for job in self.jobs:
            if job.kind == Job.Kind.SERVICE:
                self._services[job.unit_id].append(job.done_on)
            elif job.kind == Job.Kind.CORRECTION and (job.in_l or job.out_l or job.in_kg or job.out_kg):
                self._corrections[job.unit_id].append(job.done_on)

    def against(self, job: Job) -> str:
        """Return why a service teaches nothing about its unit, or an empty text."""
        reason = self._wrong_fluid(job)
        return CAME_BACK if not reason and self._came_back(job) else reason

    def _came_back(self, job: Job) -> bool:
        """Say whether a level was corrected after a service and before the next."""
        services, corrections = self._services[job.unit_id], self._corrections[job.unit_id]
        end = job.done_on + datetime.timedelta(days=COME_BACK_DAYS)
        later = bisect_left(services, job.done_on + datetime.timedelta(days=1))
        if later < len(services):
            end = min(end, services[later])
        first = bisect_left(corrections, job.done_on)
        return first < len(corrections) and corrections[first] < end

    def _wrong_fluid(self, job: Job) -> str:
        """Return that a product went in which must not; each pair of product and unit model is looked up once."""
        model, product = job.unit.unit_model, job.product
        if product is None or product.pk == model.product_id:
            return ""
        pair = (product.pk, model.pk)
        if pair not in self._refused:
            self._refused[pair] = why_not(product, model)
        return f"{WRONG_FLUID}: {self._refused[pair]}" if self._refused[pair] else ""


def closed_jobs(as_of: datetime.date) -> ClosedJobs:
    """Return the jobs on fluid that were closed up to a day."""
    return ClosedJobs(
        list(
            Job.objects.filter(subject="fluid", state=Job.State.HANDED_BACK, done_on__lte=as_of)
            .select_related(
                "unit__unit_model__product", "product", "vehicle__depot", "tray", "jug", "scale", "stick"
            )
            .order_by("done_on", "pk")
        )
    )


def product_of(job: Job) -> Product | None:
    """Return what went in, or what the unit model is filled with where the job does not say."""
    return job.product or job.unit.unit_model.product


def observation(job: Job, seen: Observed | None, measured_by: str = "", reason: str = "") -> Observation:
    """Return an observation of a job."""
    return Observation(
        job.code, job.unit.code, job.vehicle.depot.code, job.done_on, seen, measured_by, reason
    )


def factor_to_card(product: Product | None) -> float:
    """Return litres at 20 °C, where unit cards hold, of one litre at 15 °C; without a product, of a usual oil."""
    if product is None:
        return volume_factor(OIL, LEARNED_AT_C)
    return volume_factor(product.family, LEARNED_AT_C, density_kg_m3=product.density15_kg_m3)
