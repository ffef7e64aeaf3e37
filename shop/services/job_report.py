"""What a person writes down about a finished job, and what is asked of it before anything is written."""

import datetime
from dataclasses import dataclass
from math import isfinite

from intervals.errors import HatchmarkError
from intervals.exchange import stick_offset_mm
from intervals.exchange.done import split_title
from shop import clock
from shop.errors import ConflictError, InputError
from shop.models import Fitting, IntervalRule, Job, Unit
from shop.selectors.exchange import card_from, figures_in_force
from shop.services.job_tools import learned_from_faults

LEVEL_BAND_MM = 10.0
"""A hot stick this far from its mark proves no level: twice the scatter of one reading. Common practice, no source."""

BOILING_RANGE_C = (60.0, 350.0)
"""Boiling points outside this are slips of the pen; new fluid lies above 200 °C, very wet fluid above 100. House
default."""

MEASURES = ("out_l", "out_kg", "in_l", "in_kg", "product_in_l")
FIRST_DAY = datetime.date(1980, 1, 1)


@dataclass(frozen=True, slots=True)
class JobReport:
    """A finished job. Volumes as read, temperatures in °C; None or empty means not taken.

    product_in_l is the part of a coolant that came out of a pack, the rest of what went in being water.
    Strengths are glycol shares by volume, 0 to 1, of a cooling system; boiling points in °C of a brake fluid.
    A pair of litres and kilograms is one measurement; kilograms win because they need no temperature.
    meter_text is what the odometer shows, or the hour meter where there is no odometer; hours_text the hour meter of
    a vehicle that has both. The hour meter is the one the unit's model counts hours by. is_repeated says that the same
    was done before on the same day.
    is_rinsed says that a unit which held a fluid the new one must not meet was rinsed first.
    tray, jug, scale and stick are codes of measuring tools; moved_ml is a measured correction, above zero poured in.
    """

    method: str
    done_on: datetime.date
    out_l: float | None = None
    out_kg: float | None = None
    out_temp_c: float | None = None
    in_l: float | None = None
    in_kg: float | None = None
    in_temp_c: float | None = None
    product_in_l: float | None = None
    strength_found_share: float | None = None
    strength_left_share: float | None = None
    strength_by: str = ""
    boiling_found_c: float | None = None
    boiling_left_c: float | None = None
    level_temp_c: float | None = None
    level_reading_mm: float | None = None
    level_reason: str = ""
    leak_checked: bool = False
    road_tested: bool = False
    road_test_reason: str = ""
    batch: str = ""
    meter_text: str = ""
    hours_text: str = ""
    done_by: str = ""
    checked_by: str = ""
    note: str = ""
    subject: str = "fluid"
    is_repeated: bool = False
    is_rinsed: bool = False
    tray: str = ""
    jug: str = ""
    scale: str = ""
    stick: str = ""
    drain_minutes: float | None = None
    drain_start_c: float | None = None
    shed_c: float | None = None
    arrival_mm: float | None = None
    arrival_temp_c: float | None = None
    moved_ml: float | None = None
    moved_from_mm: float | None = None
    moved_to_mm: float | None = None


def report_check(unit: Unit, report: JobReport, fitting: Fitting) -> None:
    """Refuse a report that leaves out what a closed job has to prove, or that cannot be.

    Raises InputError with every field that is wrong; ConflictError when the same job is closed already.
    """
    wrong: dict[str, str] = {}
    today = clock.today(fitting.vehicle.depot.time_zone)
    if report.done_on > today:
        wrong["done_on"] = f"{report.done_on} has not come yet; write the day it was done."
    if report.done_on < FIRST_DAY:
        wrong["done_on"] = f"{report.done_on} lies before any record; write the day it was done."
    if not report.done_by.strip():
        wrong["done_by"] = "Who did it? Write the name."
    subjects = set(
        IntervalRule.objects.filter(unit_model=unit.unit_model_id).values_list("subject", flat=True)
    )
    if report.subject not in {"fluid", *subjects}:
        wrong["subject"] = (
            f"“{report.subject}” is nothing this unit has a rule for; allowed: {', '.join(sorted(subjects))}."
        )
    for name in MEASURES:
        value = getattr(report, name)
        if value is not None and not (isfinite(value) and value >= 0):
            wrong[name] = f"{value:g} cannot be; write zero or more, or leave it empty."
    if report.subject == "fluid":
        wrong |= _fluid_faults(unit, report)
    wrong |= learned_from_faults(report)
    if not report.leak_checked:
        wrong["leak_checked"] = "A job is closed only after somebody has looked for leaks."
    if not report.road_tested and not report.road_test_reason.strip():
        wrong["road_test_reason"] = "No road test: say why."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    _refuse_repeat(unit, report)


def _refuse_repeat(unit: Unit, report: JobReport) -> None:
    same = Job.objects.filter(
        unit=unit,
        subject=report.subject,
        state=Job.State.HANDED_BACK,
        done_on=report.done_on,
        kind=Job.Kind.SERVICE,
    ).first()
    if same is not None and not report.is_repeated:
        sentence = f"This was closed already as {same.code}. If it was done twice that day, say so and close it again."
        raise ConflictError(sentence, code="closed-already", fields={"is_repeated": sentence})


def _fluid_faults(unit: Unit, report: JobReport) -> dict[str, str]:
    wrong = {}
    if not report.method:
        wrong["method"] = "How was it done? Choose the method."
    else:
        try:
            _, method = split_title(report.method)
        except HatchmarkError as error:
            wrong["method"] = str(error)
        else:
            if method not in unit.unit_model.methods:
                allowed = ", ".join(unit.unit_model.methods) or "none yet"
                wrong["method"] = f"{method} is no method for {unit.unit_model.code}; allowed: {allowed}."
    if report.in_l is None and report.in_kg is None:
        wrong["in_l"] = "How much went in? Write litres or kilograms."
    if report.out_l is None and report.out_kg is None:
        wrong["out_l"] = "How much came out? Write litres or kilograms."
    return wrong | _check_faults(report) | _level_faults(unit, report)


def _check_faults(report: JobReport) -> dict[str, str]:
    wrong = {}
    if report.product_in_l is not None and report.in_l is not None and report.product_in_l > report.in_l:
        wrong["product_in_l"] = (
            f"{report.product_in_l:g} L of product cannot be in {report.in_l:g} L that went in; correct one."
        )
    for name in ("strength_found_share", "strength_left_share"):
        value = getattr(report, name)
        if value is not None and not 0.0 <= value <= 1.0:
            wrong[name] = f"A strength of {100 * value:g} % cannot be; glycol by volume is 0 to 100 %."
        elif value is not None and not report.strength_by:
            wrong["strength_by"] = "How was the strength measured? Choose it."
    if report.strength_by and report.strength_by not in Job.StrengthBy.values:
        allowed = ", ".join(Job.StrengthBy.values)
        wrong["strength_by"] = f"“{report.strength_by}” is no way to measure a strength; allowed: {allowed}."
    low, high = BOILING_RANGE_C
    for name in ("boiling_found_c", "boiling_left_c"):
        value = getattr(report, name)
        if value is not None and not low <= value <= high:
            wrong[name] = (
                f"A boiling point of {value:g} °C cannot be; brake fluid boils between {low:g} and {high:g} °C."
            )
    return wrong


def _level_faults(unit: Unit, report: JobReport) -> dict[str, str]:
    if report.level_temp_c is None:
        if report.level_reason.strip():
            return {}
        return {
            "level_temp_c": "At what fluid temperature was the level checked? Or say why there is no level reading."
        }
    figures = figures_in_force([unit])[unit.pk]
    limits = {figure.figure: figure.value for figure in figures}
    low, high = limits.get("level_low_c"), limits.get("level_high_c")
    if low is not None and high is not None and not low <= report.level_temp_c <= high:
        return {
            "level_temp_c": f"{report.level_temp_c:g} °C lies outside the {low:g}–{high:g} °C at which this level may "
            "be checked: the check is void. Check again inside the window."
        }
    if report.level_reading_mm is None:
        return {}
    try:
        expected_mm = stick_offset_mm(report.level_temp_c, card_from(unit.unit_model, figures))
    except HatchmarkError:
        # Without stick figures on the card there is nothing to hold the reading against.
        return {}
    if abs(report.level_reading_mm - float(expected_mm)) > LEVEL_BAND_MM:
        return {
            "level_reading_mm": f"At {report.level_temp_c:g} °C a right level reads {expected_mm:.1f} mm, not "
            f"{report.level_reading_mm:g}: put the level right and read it again."
        }
    return {}
