"""The drains that closed jobs measured, brought to 15 °C, to the reference drain and to a right level on arrival."""

import math
from collections import defaultdict
from collections.abc import Collection

from intervals.errors import HatchmarkError
from intervals.exchange import UnitCard, fit_drain_curve
from intervals.exchange.drain import HOT_C, SHED_C
from intervals.exchange.fluid_kinds import OIL, PETROLEUM_OIL, FluidLaw, litres_at_base
from intervals.exchange.learning import LEARNED_AT_C, Observed, drain_spread, normalise_drain
from intervals.exchange.level import excess_ml
from intervals.exchange.plan_spread import TRAY_LIMIT_SHARE
from intervals.exchange.starts import DRAIN, OVERNIGHT
from intervals.exchange.volumes import litres_from_kg
from shop.models import CardFigure, Job, MeasuringTool, UnitModel
from shop.selectors.exchange import card_from
from shop.selectors.learned_jobs import (
    ClosedJobs,
    Observation,
    factor_to_card,
    observation,
    product_of,
)

FIGURES = {DRAIN: "quick_drain_l", OVERNIGHT: "overnight_drain_l"}
"""What a job that only drained and refilled tells; an exchange after the drain hides what the drain gave."""

BY_SCALE, BY_TRAY = "scale", "litres and temperature"
NOT_MEASURED = "neither weighed nor taken with a temperature"
NO_DENSITY = "weighed, but its product has no density and no temperature was taken"
NOT_OVERNIGHT = "drained for {:g} h, not overnight (14 h or more)"
_LEAST_NIGHT_MIN = 14 * 60.0
"""A drain shorter than this is no overnight drain. Common practice, no source."""


def drains_by_figure(
    closed: ClosedJobs, figures: dict[int, list[CardFigure]]
) -> dict[tuple[int, str], list[Observation]]:
    """Return the drains of closed jobs by unit model and card figure, oldest first.

    A job that does not note how long it drained, how hot or how low the unit arrived counts as its method's usual
    drain, ten minutes or a day from hot, at the right level.
    figures: card figures of each unit model.
    """
    found: dict[tuple[int, str], list[Observation]] = defaultdict(list)
    cards: dict[int, UnitCard | None] = {}
    for job in closed.jobs:
        figure = FIGURES.get(job.method)
        if job.kind != Job.Kind.SERVICE or figure is None:
            continue
        model = job.unit.unit_model
        if model.pk not in cards:
            cards[model.pk] = card_or_none(model, figures.get(model.pk, ()))
        found[model.pk, figure].append(drain_seen(job, cards[model.pk], closed.against(job)))
    return found


def drain_seen(job: Job, card: UnitCard | None, against: str = "") -> Observation:
    """Return what a job that only drained and refilled shows. against: why it is not to be learned from."""
    seen, measured_by, reason = None, "", against
    if not reason:
        try:
            seen, measured_by, reason = _seen(job, FIGURES[job.method], card)
        except HatchmarkError as error:
            reason = str(error)
    return observation(job, seen, measured_by, reason)


def card_or_none(model: UnitModel, figures: Collection[CardFigure]) -> UnitCard | None:
    """Return the unit card, or None where it is unfinished or contradicts itself."""
    try:
        return card_from(model, figures)
    except HatchmarkError:
        return None


def _seen(job: Job, figure: str, card: UnitCard | None) -> tuple[Observed | None, str, str]:
    litres, measured_by, u_share, reason = litres_out_15c(job)
    if litres is None:
        return None, "", reason
    if figure == FIGURES[OVERNIGHT]:
        if job.drain_minutes is not None and job.drain_minutes < _LEAST_NIGHT_MIN:
            return None, measured_by, NOT_OVERNIGHT.format(job.drain_minutes / 60.0)
        litres += low_on_arrival_l(job, card)
    else:
        litres = _as_reference(job, card, litres)
    if litres <= 0.0:
        return None, measured_by, "nothing came out"
    # Each litre carries its tool's own error on top of how drains of one model differ.
    book_l = getattr(card, figure, None) or litres
    return Observed(litres, math.hypot(drain_spread(book_l).sd_l, u_share * litres)), measured_by, ""


def _as_reference(job: Job, card: UnitCard | None, litres: float) -> float:
    low_l = low_on_arrival_l(job, card)
    if job.drain_minutes is None:
        return litres + low_l
    if card is None or card.quick_drain_l is None or card.overnight_drain_l is None:
        return litres + low_l
    product = product_of(job)
    known = {} if product is None else {
        "density_kg_m3": product.density15_kg_m3, "kv40": product.kv40_mm2_s, "kv100": product.kv100_mm2_s
    }  # fmt: skip
    return normalise_drain(
        litres,
        LEARNED_AT_C,
        job.drain_minutes,
        SHED_C if job.shed_c is None else job.shed_c,
        low_l,
        fit_drain_curve(card.quick_drain_l, card.overnight_drain_l),
        HOT_C if job.drain_start_c is None else job.drain_start_c,
        **{name: value for name, value in known.items() if value is not None},
    )


def low_on_arrival_l(job: Job, card: UnitCard | None) -> float:
    """Return the litres that were missing on arrival by the stick; 0 where the stick was not read."""
    if job.arrival_mm is None or card is None or card.ml_per_mm is None or card.stick_ref_c is None:
        return 0.0
    at_c = card.stick_ref_c if job.arrival_temp_c is None else job.arrival_temp_c
    product = product_of(job)
    law = FluidLaw(product.family, product.density15_kg_m3) if product else PETROLEUM_OIL
    return -excess_ml(job.arrival_mm, at_c, card, law) / 1000.0


def litres_out_15c(job: Job) -> tuple[float | None, str, float, str]:
    """Return litres at 15 °C that came out, how they were measured, their standard deviation as a share, and why none.

    A weight beats a tray.
    """
    product = product_of(job)
    density = product.density15_kg_m3 if product is not None else None
    if job.out_kg and density is not None and not scale_fault(job):
        return litres_from_kg(job.out_kg, density), BY_SCALE, _scale_u_share(job.scale, job.out_kg), ""
    if job.out_l is None or job.out_temp_c is None:
        return None, "", 0.0, _why_none(job)
    family = OIL if product is None else product.family
    tray_error = 0.0 if job.tray is None else job.tray.error_on(job.done_on)
    read_l = job.out_l * (1.0 - tray_error)
    at_card_l = litres_at_base(family, read_l, job.out_temp_c, density_kg_m3=density)
    limit = TRAY_LIMIT_SHARE if job.tray is None or job.tray.limit is None else job.tray.limit / 100.0
    return at_card_l / factor_to_card(product), BY_TRAY, limit / math.sqrt(3.0), ""


def scale_fault(job: Job) -> str:
    """Return why a job's weights do not count, or an empty text; a job that names no scale is taken at its word."""
    if job.scale is None or job.scale.is_calibrated_on(job.done_on):
        return ""
    return f"scale {job.scale.code} was calibrated only until {job.scale.calibrated_until}"


def _why_none(job: Job) -> str:
    if job.out_kg is None:
        return NOT_MEASURED
    return scale_fault(job) or NO_DENSITY


def _scale_u_share(scale: MeasuringTool | None, kilograms: float) -> float:
    """Return the standard deviation of a weight as a share: its limit over √3 (JCGM 100, 4.3.7)."""
    if scale is None or scale.limit is None:
        return 0.0
    share = scale.limit / 100.0 if scale.limit_unit == "%" else scale.limit / 1000.0 / kilograms
    return share / math.sqrt(3.0)
