"""What is judged by another figure than its fresh share: coolant by strength, brake fluid by boiling point."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from intervals.errors import HatchmarkError
from intervals.exchange.coolant import CAUTIONS, CoolantMix, concentrate_spread, strength_after, strength_mix
from intervals.exchange.fluid_kinds import BRAKE_FLUID_GRADES, BrakeFluidGrade
from intervals.exchange.plan_spread import TRAY_LIMIT_SHARE
from intervals.exchange.propagation import Input, Spread, Uncertainty
from intervals.exchange.spread import card_uncertainty
from shop.models import CardFigure, Job, Product, UnitModel
from shop.selectors.exchange import UnitPlan

HOUSE_STRENGTH_SHARE = 0.5
"""Coolant strength wanted where the unit card does not say. House default."""

WANTED_FIGURE = "wanted_strength_share"
FMVSS_116 = "49 CFR 571.116, S5.1.1 and S5.1.2"


@dataclass(frozen=True, slots=True)
class CoolantAsked:
    """What a person typed for the strength sum, shares by volume 0 to 1 and litres; None: not typed."""

    found_share: float | None = None
    wanted_share: float | None = None
    drained_l: float | None = None


@dataclass(frozen=True, slots=True)
class CoolantSum:
    """How much concentrate and water a cooling system takes, or why nobody can say.

    found_from, wanted_from, drained_from: where each figure comes from. concentrate: the litres with their range.
    as_wanted_share: strength reached by filling up with a mix of the strength wanted. reserve_l: litres of the product
    to have for the usual drain, the rest of the plan's litres being water.
    """

    total_l: float | None
    drained_l: float | None
    drained_from: str
    found_share: float | None
    found_from: str
    wanted_share: float
    wanted_from: str
    product_share: float
    reserve_l: float | None = None
    cannot_say: str = ""
    mix: CoolantMix | None = None
    concentrate: Spread | None = None
    as_wanted_share: float | None = None
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(frozen=True, slots=True)
class BrakeCheck:
    """The least boiling points of the grades a brake system asks for, and what the newest measurement says.

    measured_c: the newest boiling point noted, with the job it was noted on; None when there is none.
    """

    grades: tuple[BrakeFluidGrade, ...]
    measured_c: float | None
    measured_on: str
    sentence: str
    source: str = FMVSS_116


def coolant_sum(plan: UnitPlan, jobs: Sequence[Job], asked: CoolantAsked | None = None) -> CoolantSum | None:
    """Return the strength sum of a cooling system; None for any other unit.

    jobs: of the unit, newest first; the newest strength noted counts where none is typed.
    """
    model = plan.unit.unit_model
    if model.kind != UnitModel.Kind.COOLING:
        return None
    asked = asked or CoolantAsked()
    found, found_from = (asked.found_share, "typed") if asked.found_share is not None else _noted(jobs)
    wanted, wanted_from = (
        _wanted(plan.figures) if asked.wanted_share is None else (asked.wanted_share, "typed")
    )
    card = plan.card
    drained = asked.drained_l if asked.drained_l is not None or card is None else card.quick_drain_l
    drained_from = "typed" if asked.drained_l is not None else "unit card"
    product = model.product
    product_share = 1.0 if product is None or product.strength_share is None else product.strength_share
    total = None if card is None else card.total_fill_l
    result = CoolantSum(
        total, drained, drained_from, found, found_from, wanted, wanted_from, product_share,
        product_to_reserve_l(plan),
    )  # fmt: skip
    if card is None or total is None:
        return _cannot(result, plan.cannot_say)
    if drained is None:
        return _cannot(result, "The unit card does not give the drained litres; type what came out.")
    if found is None:
        return _cannot(
            result, "No strength is noted for this system: measure it before draining and type it here."
        )
    try:
        mix = strength_mix(total, drained, found, wanted, product_share)
        as_wanted = strength_after(total, drained, found, wanted)
        concentrate = None
        if mix.concentrate_l is not None:
            concentrate = concentrate_spread(
                Input("system volume", total, card_uncertainty(card, "total_fill_l"), 0.0),
                Input("drained", drained, _drained_uncertainty(plan, drained), 0.0),
                found,
                wanted,
                product_share,
            )
    except HatchmarkError as error:
        return _cannot(result, str(error))
    return replace(result, mix=mix, concentrate=concentrate, as_wanted_share=as_wanted)


def part_of_product(product: Product | None, figures: Sequence[CardFigure]) -> float:
    """Return the part of a fill that comes out of packs of a product, 0 to 1; the rest is water.

    Only a coolant is thinned; its unit is taken to be at the strength wanted before and after, so that what goes in is
    of that strength: c_wanted / c_product.
    """
    if product is None or product.family != Product.Family.COOLANT or product.strength_share is None:
        return 1.0
    return min(1.0, _wanted(figures)[0] / product.strength_share)


def product_to_reserve_l(plan: UnitPlan) -> float | None:
    """Return the litres of the unit's product to have for its plan, water left out; None when it cannot say."""
    if plan.best is None or plan.best.total_to_reserve_l is None:
        return None
    return plan.best.total_to_reserve_l * part_of_product(plan.unit.unit_model.product, plan.figures)


def _drained_uncertainty(plan: UnitPlan, drained_l: float) -> Uncertainty:
    card = plan.card
    if card is not None and card.quick_drain_l == drained_l:
        return card_uncertainty(card, "quick_drain_l")
    return Uncertainty(TRAY_LIMIT_SHARE * drained_l)


def _cannot(result: CoolantSum, sentence: str) -> CoolantSum:
    return replace(result, cannot_say=sentence)


def _noted(jobs: Sequence[Job]) -> tuple[float | None, str]:
    """Return the newest strength noted on a job, what was left before what was found."""
    for job in jobs:
        for share in (job.strength_left_share, job.strength_found_share):
            if share is not None:
                by = f", {job.strength_by}" if job.strength_by else ""
                return share, f"job {job.code}{by}"
    return None, ""


def _wanted(figures: Sequence[CardFigure]) -> tuple[float, str]:
    for figure in figures:
        if figure.figure == WANTED_FIGURE:
            return figure.value, figure.source
    return HOUSE_STRENGTH_SHARE, "house default"


def brake_check(plan: UnitPlan, jobs: Sequence[Job]) -> BrakeCheck | None:
    """Return what a brake system's fluid is judged by; None for any other unit. jobs: of the unit, newest first."""
    model = plan.unit.unit_model
    if model.kind != UnitModel.Kind.BRAKES:
        return None
    asked = " ".join(model.requirements.values_list("specification__code", flat=True))
    grades = [grade for name, grade in BRAKE_FLUID_GRADES.items() if _names(asked, name)]
    shown = tuple(grades or BRAKE_FLUID_GRADES.values())
    for job in jobs:
        for value in (job.boiling_left_c, job.boiling_found_c):
            if value is not None:
                return BrakeCheck(shown, value, job.code, _judged(value, job.code, grades))
    return BrakeCheck(
        shown,
        None,
        "",
        "Cannot say: no boiling point is noted for this system. Measure it at the reservoir and caliper.",
    )


def _names(text: str, grade: str) -> bool:
    """Say whether a grade is named; DOT 5 is not named by DOT 5.1."""
    return grade in text.replace("DOT 5.1", "" if grade == "DOT 5" else "DOT 5.1")


def _judged(value_c: float, job_code: str, grades: Sequence[BrakeFluidGrade]) -> str:
    noted = f"{value_c:.0f} °C noted on job {job_code}"
    if not grades:
        return f"{noted}; the unit model asks for no grade, so compare with the table."
    grade = grades[0]
    if value_c < grade.wet_boiling_least_c:
        return (
            f"{noted}: below the {grade.wet_boiling_least_c:.0f} °C wet minimum of {grade.grade}; renew it."
        )
    if value_c < grade.dry_boiling_least_c:
        return (
            f"{noted}: above the {grade.wet_boiling_least_c:.0f} °C wet minimum of {grade.grade}, below the "
            f"{grade.dry_boiling_least_c:.0f} °C of new fluid; it has taken up water."
        )
    return f"{noted}: as new fluid of {grade.grade}, at least {grade.dry_boiling_least_c:.0f} °C."
