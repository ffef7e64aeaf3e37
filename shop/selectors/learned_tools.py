"""What closed jobs say about sticks, trays and jugs: measured corrections, and readings beside a weight."""

import math
from collections import defaultdict

from intervals.errors import HatchmarkError
from intervals.exchange.fluid_kinds import OIL, litres_at_base
from intervals.exchange.learning import Observed
from intervals.exchange.tool_errors import STICK_SD_MM, reading_error, stick_slope
from intervals.exchange.volumes import litres_from_kg
from shop.models import CardFigure, Job, MeasuringTool
from shop.selectors.learned_drains import card_or_none, low_on_arrival_l, scale_fault
from shop.selectors.learned_jobs import (
    ClosedJobs,
    Observation,
    factor_to_card,
    observation,
    product_of,
)

STICK_FIGURE = "ml_per_mm"
ERROR_FIGURE = "reading_error_share"
BY_LEVEL = "weight of what went in, level right before and after"
SAME_FLUID = "weight of the same fluid"
NO_ARRIVAL = "the level on arrival was not read, so what went in is not what came out"
NO_WEIGHT = "nothing was weighed"


def slopes_by_model(closed: ClosedJobs) -> dict[tuple[int, str], list[Observation]]:
    """Return the measured corrections of closed jobs by unit model, oldest first."""
    found: dict[tuple[int, str], list[Observation]] = defaultdict(list)
    for job in closed.jobs:
        if job.moved_ml is None or job.moved_from_mm is None or job.moved_to_mm is None:
            continue
        seen, reason = None, ""
        try:
            seen = stick_slope(
                job.moved_ml, job.moved_from_mm, job.moved_to_mm, sd_mm=_stick_sd_mm(job.stick)
            )
        except HatchmarkError as error:
            reason = str(error)
        what = f"{abs(job.moved_ml):g} mL moved the stick {abs(job.moved_to_mm - job.moved_from_mm):g} mm"
        found[job.unit.unit_model_id, STICK_FIGURE].append(observation(job, seen, what, reason))
    return found


def _stick_sd_mm(stick: MeasuringTool | None) -> float:
    return STICK_SD_MM if stick is None or not stick.limit else stick.limit / math.sqrt(3.0)


def errors_by_tool(
    closed: ClosedJobs, figures: dict[int, list[CardFigure]]
) -> dict[tuple[int, str], list[Observation]]:
    """Return the comparisons of trays and jugs with a weight by tool, oldest first.

    Readings count as they were read: a correction that is known already is part of what is compared.
    """
    found: dict[tuple[int, str], list[Observation]] = defaultdict(list)
    for job in closed.jobs:
        for tool, litres, temp_c, kilograms in (
            (job.tray, job.out_l, job.out_temp_c, job.out_kg),
            (job.jug, job.in_l, job.in_temp_c, job.in_kg),
        ):
            if tool is None or litres is None or temp_c is None:
                continue
            seen, how, reason = None, "", ""
            try:
                seen, how, reason = _compared(job, tool, litres, temp_c, kilograms, figures)
            except HatchmarkError as error:
                reason = str(error)
            if seen is not None or reason != NO_WEIGHT:
                found[tool.pk, ERROR_FIGURE].append(observation(job, seen, how, reason))
    return found


def _compared(
    job: Job,
    tool: MeasuringTool,
    litres: float,
    temp_c: float,
    kilograms: float | None,
    figures: dict[int, list[CardFigure]],
) -> tuple[Observed | None, str, str]:
    product = product_of(job)
    density = None if product is None else product.density15_kg_m3
    by_level = kilograms is None and tool.kind == MeasuringTool.Kind.TRAY
    weight = job.in_kg if by_level else kilograms
    if not weight or density is None:
        return None, "", NO_WEIGHT
    if fault := scale_fault(job):
        return None, "", fault
    true_l = litres_from_kg(weight, density)
    if by_level:
        if job.arrival_mm is None:
            return None, "", NO_ARRIVAL
        model = job.unit.unit_model
        true_l -= low_on_arrival_l(job, card_or_none(model, figures.get(model.pk, ())))
    family = OIL if product is None else product.family
    read_l = litres_at_base(family, litres, temp_c, density_kg_m3=density) / factor_to_card(product)
    return reading_error(read_l, true_l), BY_LEVEL if by_level else SAME_FLUID, ""
