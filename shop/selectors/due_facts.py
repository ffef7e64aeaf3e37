"""Puts one worked-out line into words: the numbers behind its dates and the sentence that explains."""

from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite
from typing import Any

from intervals.due import (
    CLOCKS,
    DISTANCE,
    HOURS,
    REASONS,
    STATES,
    TIME,
    DueResult,
)
from intervals.explain import DueFact, explain_due, explain_guess, explain_schedule, explain_severity
from intervals.quantities import from_km
from shop.models import Meter
from shop.selectors.cadence import scheduled_days, scheduled_runs
from shop.selectors.core_inputs import CoreInputs, Line
from shop.selectors.seasons import is_in_season, season_ends_on, season_opens_on
from shop.selectors.severity import StretchRun, stretches_driven

ABSENT = REASONS.index("no such clock")
NEXT_UNKNOWN = REASONS.index("run to the next job unknown")
_DUST = 1e-6


@dataclass(frozen=True, slots=True)
class DueWords:
    """What explains one line on a day: the deciding clock, its used share, the figures behind, and the sentence."""

    clock: str
    used_share: float | None
    facts: dict[str, Any]
    sentence: str


def words_of(
    inputs: CoreInputs, result: DueResult, row: int, due_on: date | None, low: date | None, high: date | None
) -> DueWords:
    """Explain one worked-out line with the dates that are shown for it."""
    binding, due_clock = int(result.binding[row]), int(result.due_clock[row])
    told = due_clock if due_clock >= 0 else binding
    fact = _fact(inputs, result, row, told, due_on, low, high)
    return DueWords(
        clock=CLOCKS[binding] if binding >= 0 else "",
        used_share=float(result.u[row, binding]) if binding >= 0 else None,
        facts=_facts(inputs, result, row, fact),
        sentence=explain_due(fact),
    )


def _fact(
    inputs: CoreInputs,
    result: DueResult,
    row: int,
    told: int,
    due_on: date | None,
    low: date | None,
    high: date | None,
) -> DueFact:
    line = inputs.lines[row]
    done_on = line.last.done_on if line.last else None
    if told < 0:
        return DueFact(inputs.as_of, "", "", since=done_on, missing=_missing(line, result, row))
    unit, factor = _shown_in(line, told)
    usage = inputs.distance_usage if told == DISTANCE else inputs.hours_usage
    per_day = _or_none(float(usage.rate_per_day[row]) * factor) if told != TIME else None
    season_note = _season_note(line, inputs.as_of)
    if per_day == 0 and season_note:
        per_day = None
    stale = float(usage.stale_days[row]) if told != TIME else 0.0
    return DueFact(
        as_of=inputs.as_of,
        clock=CLOCKS[told],
        unit=unit,
        used=_or_none(float(result.used_now[row, told]) * factor),
        limit=_or_none(float(result.limit[row, told]) * factor),
        since=done_on,
        per_day=per_day,
        due_on=due_on,
        low=low,
        high=high,
        carried=_carried_over(inputs, row, told) * factor,
        next_run=_or_none(_next_run(inputs, row, told)),
        stale_days=int(stale) if isfinite(stale) else 0,
        missing=_missing(line, result, row),
        season_note=_notes(
            season_note,
            line,
            explain_guess(line.guess_km_h) if told == HOURS else "",
            _driven_note(inputs, row, told),
            explain_schedule(round(_scheduled(inputs, row, told) * factor, 1), unit),
        ),
        hours_of=_hours_of(line) if told == HOURS else "",
    )


def _facts(inputs: CoreInputs, result: DueResult, row: int, fact: DueFact) -> dict[str, Any]:
    line = inputs.lines[row]
    last, version = line.last, line.version
    usage, meter = (
        (inputs.distance_usage, line.odometer) if line.odometer else (inputs.hours_usage, line.hour_meter)
    )
    distance_unit, distance_factor = _shown_in(line, DISTANCE)
    factor = distance_factor if line.odometer else 1.0
    total = _or_none(float(usage.last_total[row]) * factor)
    return {
        "clocks": [_clock(inputs, result, row, index) for index in range(len(CLOCKS)) if _has(result, row, index)],
        "interval": {
            "km": version.interval_km, "h": version.interval_h, "months": version.interval_months,
            "distance": None if version.interval_km is None else round(version.interval_km * distance_factor, 3),
            "distance_unit": distance_unit,
            "hours_unit": _hours_of(line) or "h",
        },
        "severity": line.severity,
        "severity_factors": [[factor.reason, factor.factor, factor.source] for factor in line.factors],
        "severity_stretches": _stretches(inputs, row, fact.clock),
        "policy": version.policy,
        "cadence": version.cadence,
        "assumed_freshness_share": version.assumed_freshness_share,
        "cap_share": version.cap_share,
        "rule_source": version.source,
        "carried": fact.carried if last else None,
        "fresh_share": last.fresh_share if last else None,
        "is_age_assumed": last.is_age_assumed if last else False,
        "done_on": last.done_on.isoformat() if last and last.done_on else None,
        "stale_days": fact.stale_days,
        "counted_from": _counted_from(inputs, row, fact.clock),
        "last_reading": None
        if meter is None or total is None
        else {
            "true_total": round(total, 1),
            "unit": meter.shown_in if meter.kind == Meter.Kind.ODOMETER else "h",
            "on": date.fromordinal(int(usage.last_day[row])).isoformat(),
        },
        "rate_is_class": bool(usage.is_class_rate[row]),
        "missing": list(fact.missing),
    }  # fmt: skip


def _counted_from(inputs: CoreInputs, row: int, clock: str) -> str | None:
    """Return the day of the reading a date is counted from; None where the calendar gives it."""
    usage = {CLOCKS[DISTANCE]: inputs.distance_usage, CLOCKS[HOURS]: inputs.hours_usage}.get(clock)
    if usage is None or not isfinite(usage.last_day[row]):
        return None
    return date.fromordinal(int(usage.last_day[row])).isoformat()


def _clock(inputs: CoreInputs, result: DueResult, row: int, index: int) -> dict[str, Any]:
    line = inputs.lines[row]
    unit, factor = _shown_in(line, index)
    usage = inputs.distance_usage if index == DISTANCE else inputs.hours_usage
    is_time = index == TIME
    return {
        "clock": CLOCKS[index],
        "hours_meter": line.hours_meter if index == HOURS else None,
        "guessed_at_km_h": _or_none(line.guess_km_h) if index == HOURS else None,
        "counts": (explain_guess(line.guess_km_h) or _hours_of(line)) if index == HOURS else "",
        "used": _rounded(float(result.used_now[row, index]) * factor),
        "limit": _rounded(float(result.limit[row, index]) * factor),
        "unit": unit,
        "share": _or_none(float(result.u[row, index])),
        "per_day": None if is_time else _rounded(float(usage.rate_per_day[row]) * factor),
        "scatter": None if is_time else _rounded(float(usage.sigma_per_sqrt_day[row]) * factor),
        "state": STATES[result.clock_state[row, index]],
        "missing": _reason(line, int(result.missing[row, index]), index),
        "opens_share": 1.0 - line.version.opens_share,
        "late_share": 1.0 + line.version.closes_share,
    }


def _has(result: DueResult, row: int, index: int) -> bool:
    return int(result.missing[row, index]) != ABSENT


def _missing(line: Line, result: DueResult, row: int) -> tuple[str, ...]:
    words = [
        _reason(line, int(code), index)
        for index, code in enumerate(result.missing[row])
        if int(code) not in (0, ABSENT)
    ]
    return tuple(dict.fromkeys(word for word in words if word))


def _reason(line: Line, code: int, index: int) -> str:
    if code == ABSENT:
        return ""
    if code and line.last is None:
        return f"no history of the {line.rule.subject}"
    if code == NEXT_UNKNOWN:
        return "age of the fluid before the last job unknown, type it with that job (last_services.csv, age_before)"
    hours_of = _hours_of(line) if code and index == HOURS else ""
    return f"{hours_of}: {REASONS[code]}" if hours_of else REASONS[code]


def _shown_in(line: Line, index: int) -> tuple[str, float]:
    """Return the unit a clock is shown in and the factor from km, hours or days to it."""
    if index == TIME:
        return "days", 1.0
    if index != DISTANCE:
        return "h", 1.0
    unit = line.odometer.shown_in if line.odometer else line.fitting.vehicle.depot.distance_unit
    return unit, from_km(1.0, unit)


def _carried_over(inputs: CoreInputs, row: int, index: int) -> float:
    """Return how much of the interval the fluid had behind it right after the last job."""
    interval = {TIME: inputs.time.interval_days, DISTANCE: inputs.distance.interval}.get(
        index, inputs.hours.interval
    )
    over = float(interval[row]) - _next_run(inputs, row, index) + _scheduled(inputs, row, index)
    return over if over > _DUST else 0.0


def _scheduled(inputs: CoreInputs, row: int, index: int) -> float:
    """Return how far after the last job the point lies that the next is counted from."""
    own = [inputs.lines[row]]
    if index == TIME:
        return float(scheduled_days(own)[0])
    wear = inputs.distance_wear if index == DISTANCE else inputs.hours_wear
    return float(scheduled_runs(own, is_distance=index == DISTANCE)[0] * wear.job_factor[row])


def _driven(inputs: CoreInputs, row: int, index: int) -> tuple[StretchRun, ...]:
    """Return the run since the last job by the severity it was driven with, on the distance or hour clock."""
    is_distance = index == DISTANCE
    clock, wear = (
        (inputs.distance, inputs.distance_wear) if is_distance else (inputs.hours, inputs.hours_wear)
    )
    run = float(clock.since_at_reading[row] - wear.extra_run[row])
    return stretches_driven(inputs.lines[row], wear, row, run)


def _stretches(inputs: CoreInputs, row: int, clock: str) -> list[dict[str, Any]]:
    if clock not in (CLOCKS[DISTANCE], CLOCKS[HOURS]):
        return []
    index = CLOCKS.index(clock)
    unit, factor = _shown_in(inputs.lines[row], index)
    return [
        {
            "from": None if one.begins is None else one.begins.isoformat(),
            "severity": round(one.severity, 6),
            "run": _rounded(one.run * factor),
            "counts_as": _rounded(one.counts_as * factor),
            "unit": unit,
        }
        for one in _driven(inputs, row, index)
    ]


def _driven_note(inputs: CoreInputs, row: int, told: int) -> str:
    if told == TIME:
        return ""
    found = _driven(inputs, row, told)
    if not found or found[-1].begins is None:
        return ""
    last = found[-1]
    unit, factor = _shown_in(inputs.lines[row], told)
    return explain_severity(last.begins, last.severity, last.run * factor, last.counts_as * factor, unit)


def _next_run(inputs: CoreInputs, row: int, index: int) -> float:
    if index == TIME:
        return float(inputs.time.next_days[row])
    clock = inputs.distance if index == DISTANCE else inputs.hours
    return float(clock.next_run[row])


def _hours_of(line: Line) -> str:
    """Return what the hours of a line are called, where they are not those of the engine."""
    return "" if line.hours_meter == Meter.Kind.HOURS else line.hours_meter


def _notes(season_note: str, line: Line, *more: str) -> str:
    assumed = "age before the last job assumed" if line.last and line.last.is_age_assumed else ""
    return "; ".join(note for note in (season_note, assumed, *more) if note)


def _season_note(line: Line, as_of: date) -> str:
    vehicle = line.fitting.vehicle
    season = vehicle.season
    if season is None:
        return ""
    if is_in_season(season, as_of):
        ends = season_ends_on(season, as_of) + timedelta(days=1)
        return f"not offered before {ends.day} {ends:%b}" if season.is_no_touch else ""
    if vehicle.in_season_per_day and not vehicle.off_season_per_day:
        opens = season_opens_on(season, as_of)
        unit = "h" if line.hour_meter and not line.odometer else "km"
        return f"laid up until {opens.day} {opens:%b}, then {vehicle.in_season_per_day:g} {unit}/day"
    return ""


def _or_none(value: float) -> float | None:
    return value if isfinite(value) else None


def _rounded(value: float) -> float | None:
    """Keep six decimals: enough for any meter, and the same on every machine."""
    return round(value, 6) if isfinite(value) else None
