"""The drains that closed jobs measured, brought to 15 °C, and why the others teach nothing."""

import datetime
from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.fluid_kinds import OIL, litres_at_base, volume_factor
from intervals.exchange.learning import LEARNED_AT_C
from intervals.exchange.starts import DRAIN, OVERNIGHT
from intervals.exchange.volumes import litres_from_kg
from shop.models import Job, Product
from shop.selectors.fluids import why_not

FIGURES = {DRAIN: "quick_drain_l", OVERNIGHT: "overnight_drain_l"}
"""What a job that only drained and refilled tells; an exchange after the drain hides what the drain gave."""

COME_BACK_DAYS = 90
"""A level corrected within this time and before the next service speaks against the job before it. House default."""

BY_SCALE, BY_TRAY = "scale", "litres and temperature"
NOT_MEASURED = "neither weighed nor taken with a temperature"
NO_DENSITY = "weighed, but its product has no density and no temperature was taken"
CAME_BACK = "came back: its level was corrected afterwards"
WRONG_FLUID = "wrong fluid went in"


@dataclass(frozen=True, slots=True)
class Drain:
    """What one job drained, L at 15 °C, and how it was measured; without litres, why it teaches nothing."""

    job: str
    unit: str
    depot: str
    done_on: datetime.date
    litres_15c: float | None
    measured_by: str = ""
    why_not: str = ""


def drains_by_figure(as_of: datetime.date) -> dict[tuple[int, str], list[Drain]]:
    """Return the drains of jobs closed up to a day, by unit model and card figure, oldest first.

    Jobs do not note how long they drained nor the level on arrival; each counts as its method's usual drain, ten
    minutes or a day from hot.
    """
    jobs = list(
        Job.objects.filter(subject="fluid", state=Job.State.HANDED_BACK, done_on__lte=as_of)
        .select_related("unit__unit_model__product", "product", "vehicle__depot")
        .order_by("done_on", "pk")
    )
    services: dict[int, list[datetime.date]] = defaultdict(list)
    corrections: dict[int, list[datetime.date]] = defaultdict(list)
    for job in jobs:
        if job.kind == Job.Kind.SERVICE:
            services[job.unit_id].append(job.done_on)
        elif job.kind == Job.Kind.CORRECTION and (job.in_l or job.out_l or job.in_kg or job.out_kg):
            corrections[job.unit_id].append(job.done_on)
    refused: dict[tuple[int, int], str] = {}
    found: dict[tuple[int, str], list[Drain]] = defaultdict(list)
    for job in jobs:
        figure = FIGURES.get(job.method)
        if job.kind != Job.Kind.SERVICE or figure is None:
            continue
        reason = _wrong_fluid(job, refused)
        if not reason and _came_back(job.done_on, services[job.unit_id], corrections[job.unit_id]):
            reason = CAME_BACK
        found[job.unit.unit_model_id, figure].append(_drain(job, reason))
    return found


def _came_back(
    done_on: datetime.date, services: list[datetime.date], corrections: list[datetime.date]
) -> bool:
    """Say whether a level was corrected after a service and before the next; both lists are in order."""
    end = done_on + datetime.timedelta(days=COME_BACK_DAYS)
    later = bisect_left(services, done_on + datetime.timedelta(days=1))
    if later < len(services):
        end = min(end, services[later])
    first = bisect_left(corrections, done_on)
    return first < len(corrections) and corrections[first] < end


def _wrong_fluid(job: Job, refused: dict[tuple[int, int], str]) -> str:
    """Return that a product went in which must not; each pair of product and unit model is looked up once."""
    model, product = job.unit.unit_model, job.product
    if product is None or product.pk == model.product_id:
        return ""
    pair = (product.pk, model.pk)
    if pair not in refused:
        refused[pair] = why_not(product, model)
    return f"{WRONG_FLUID}: {refused[pair]}" if refused[pair] else ""


def _drain(job: Job, reason: str) -> Drain:
    litres, measured_by = None, ""
    if not reason:
        try:
            litres, measured_by, reason = _litres_at_15c(job, job.product or job.unit.unit_model.product)
        except QuantityError as error:
            reason = str(error)
    return Drain(
        job.code, job.unit.code, job.vehicle.depot.code, job.done_on, litres, measured_by, reason
    )  # fmt: skip


def _litres_at_15c(job: Job, product: Product | None) -> tuple[float | None, str, str]:
    """Return litres at 15 °C, how they were measured, or why there are none; a weight beats a tray."""
    density = product.density15_kg_m3 if product is not None else None
    if job.out_kg is not None and density is not None:
        return litres_from_kg(job.out_kg, density), BY_SCALE, ""
    if job.out_l is None or job.out_temp_c is None:
        return None, "", NO_DENSITY if job.out_kg is not None else NOT_MEASURED
    family = OIL if product is None else product.family
    at_card_l = litres_at_base(family, job.out_l, job.out_temp_c, density_kg_m3=density)
    return at_card_l / factor_to_card(product), BY_TRAY, ""


def factor_to_card(product: Product | None) -> float:
    """Return litres at 20 °C, where unit cards hold, of one litre at 15 °C; without a product, of a usual oil."""
    if product is None:
        return volume_factor(OIL, LEARNED_AT_C)
    return volume_factor(product.family, LEARNED_AT_C, density_kg_m3=product.density15_kg_m3)
