"""How hard a unit's life is: the severity that divides its distance and hour intervals.

A severity above 1 shortens the interval. One below 1 lengthens it beyond the unit maker's figure, which is
the maker's to allow: the maker's own severe-duty schedule always goes before these figures.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from intervals.errors import RuleError

FloatArray = npt.NDArray[np.float64]

REFERENCE_C: Final = 85.0
DOUBLING_C: Final = 11.1
LEAST_PER_HOUR: Final = 0.6
LEAST_SEVERITY: Final = 0.7
MOST_SEVERITY: Final = 3.0
LEAST_SENSOR_SHARE: Final = 0.60
LEAST_EVIDENCE_MONTHS: Final = 2
MOST_CHANGE_PER_MONTH: Final = 0.15
_SHARE_SLACK: Final = 0.005


@dataclass(frozen=True, slots=True)
class DutyFactor:
    """One kind of duty that ages fluid faster or slower than ordinary use.

    Attributes:
        key: its short name.
        when: what has to be true of the vehicle's use.
        value: the usual factor, `low` and `high` bound what is reasonable; all None where a condition is published
            as severe but nobody's figure for it is known.
        source: where the condition and the figure come from.
    """

    key: str
    when: str
    value: float | None
    low: float | None
    high: float | None
    source: str


_NO_SOURCE: Final = "figure: common practice, no source"
_NO_FIGURE: Final = "no figure is published, type the maker's or the house's"
_CLUBS: Final = "condition: advice of motoring clubs in the US, AAA"
_TM_TRUCK: Final = "condition: US Army TM 9-2320-280-10"
_TM_LOADER: Final = "condition: US Army TM 10-3930-671-24"
_TM_TRACKED: Final = "condition: US Army TM 9-2350-247-10"
FACTORS: Final = (
    DutyFactor("short trips", "trips under 8 km", 1.3, 1.3, 1.3, f"{_CLUBS}, trips under 10 miles; {_NO_SOURCE}"),
    DutyFactor(
        "idle", "idle and power-take-off over 30 % of the hours", 1.25, 1.25, 1.25,
        f"{_TM_LOADER}, extended idling; {_NO_SOURCE}",
    ),
    DutyFactor("towing", "towing over 25 % of the distance", 1.3, 1.3, 1.5, f"{_CLUBS}; {_NO_SOURCE}"),
    DutyFactor(
        "stop and start", "three or more stops a km", 1.5, 1.5, 2.0, f"{_CLUBS}, stop and go; {_NO_SOURCE}"
    ),
    DutyFactor("hills", "hilly routes", 1.15, 1.15, 1.15, _NO_SOURCE),
    DutyFactor(
        "heat", "a season above 35 °C", 1.2, 1.2, 1.2, f"{_TM_TRUCK}, high temperature; {_NO_SOURCE}"
    ),
    DutyFactor(
        "dust or water", "dust, sand, mud or wading", 1.3, 1.3, 1.5,
        f"{_TM_TRACKED} and TM 10-3930-671-24; {_NO_SOURCE}",
    ),
    DutyFactor("steady motorway", "mostly steady motorway running", 0.85, 0.85, 0.85, _NO_SOURCE),
    DutyFactor("cold", "long spells of hard frost", None, None, None, f"{_TM_TRUCK}, low temperature; {_NO_FIGURE}"),
    DutyFactor(
        "high speed", "prolonged high speed", None, None, None, f"{_TM_TRUCK}, prolonged high speed; {_NO_FIGURE}"
    ),
    DutyFactor(
        "cross-country", "extended running off the road", None, None, None,
        f"{_TM_TRUCK}, extended cross-country; {_NO_FIGURE}",
    ),
    DutyFactor(
        "long hours", "longer hours than usual, long hard use", None, None, None,
        f"{_TM_LOADER}, longer-than-usual hours; {_NO_FIGURE}",
    ),
)  # fmt: skip


def severity_from_temperature_hours(shares: Sequence[float], temps_c: Sequence[float]) -> float:
    """Return the severity from the share of running hours spent at each fluid temperature.

    ``S = sum(w_i * max(0.6, 2^((T_i - 85) / 11.1)))``: oxidation about doubles per 11 °C. That is a rule of
    thumb for fluids past the temperature at which they begin to oxidise, so the result is an estimate.

    Args:
        shares: share of the hours at each temperature, adding up to 1.
        temps_c: the fluid temperatures, °C.

    Raises:
        RuleError: shares and temperatures do not match or the shares do not add up to 1.
    """
    if len(shares) != len(temps_c) or not all(map(math.isfinite, [*shares, *temps_c])):
        raise RuleError(
            "Every share of hours needs one temperature. Give as many shares as temperatures, all known."
        )
    if min(shares, default=0.0) < 0 or abs(sum(shares) - 1.0) > _SHARE_SLACK:
        raise RuleError(
            f"Shares of hours add up to {sum(shares):.3f}. Allowed: none below 0, together 1. Check them."
        )
    per_hour = (max(LEAST_PER_HOUR, 2.0 ** ((temp - REFERENCE_C) / DOUBLING_C)) for temp in temps_c)
    return math.fsum(share * factor for share, factor in zip(shares, per_hour, strict=True))


def severity_from_duty(factors: Iterable[float]) -> float:
    """Return the product of the duty factors, held between 0.7 and 3.0; 1 when there are none.

    Raises:
        RuleError: a factor is not above zero.
    """
    values = list(factors)
    if not all(math.isfinite(value) and value > 0 for value in values):
        raise RuleError(
            f"Duty factors {values} cannot be used. Allowed: numbers above 0. Take the list's values."
        )
    return min(max(math.prod(values), LEAST_SEVERITY), MOST_SEVERITY)


@dataclass(frozen=True, slots=True)
class FactorSpan:
    """A severity factor from a day on.

    Attributes:
        reason: what it is about; a later one of the same reason takes its place.
        value: the factor.
        begins: first day it counts.
        ends: first day it no longer counts; None while nobody has ended it.
        is_measured: measured on the fluid itself; stands alone while it holds.
    """

    reason: str
    value: float
    begins: date
    ends: date | None = None
    is_measured: bool = False


@dataclass(frozen=True, slots=True)
class SeverityStep:
    """The severity of a unit from a day on."""

    begins: date
    value: float


def factors_on(spans: Iterable[FactorSpan], day: date) -> tuple[FactorSpan, ...]:
    """Return the factors that count on ``day``: the newest begun of each reason unless it has ended.

    A measured one stands alone, the newest if there are several: both sources see the same heat.
    """
    newest: dict[str, FactorSpan] = {}
    for span in sorted(spans, key=lambda one: one.begins):
        if span.begins <= day:
            newest[span.reason] = span
    held = [newest[reason] for reason in sorted(newest)]
    held = [span for span in held if span.ends is None or span.ends > day]
    measured = [span for span in held if span.is_measured]
    return (max(measured, key=lambda one: one.begins),) if measured else tuple(held)


def severity_of(spans: Iterable[FactorSpan]) -> float:
    """Return the severity of factors that count together: the measured one, or the product of the duty factors."""
    held = list(spans)
    if held and held[0].is_measured:
        return held[0].value
    return severity_from_duty(span.value for span in held)


def severity_steps(spans: Sequence[FactorSpan], until: date) -> tuple[SeverityStep, ...]:
    """Return the severity of a unit as it went, up to and with ``until``; the first step reaches back for ever."""
    days = {span.begins for span in spans} | {span.ends for span in spans if span.ends is not None}
    steps = [SeverityStep(date.min, 1.0)]
    for day in sorted(day for day in days if day <= until):
        value = severity_of(factors_on(spans, day))
        if value != steps[-1].value:
            steps.append(SeverityStep(day, value))
    return tuple(steps)


def step_severity(current: float, target: float, evidence_months: float) -> float:
    """Return next month's severity on the way from ``current`` to ``target``.

    It stays where it is until two months of evidence are in and then moves by at most 15 % a month, so that
    one odd month cannot move every date of a vehicle.
    """
    if not all(math.isfinite(value) and value > 0 for value in (current, target)):
        raise RuleError(
            f"Severity cannot go from {current} to {target}. Allowed: numbers above 0. Check both."
        )
    if evidence_months < LEAST_EVIDENCE_MONTHS:
        return current
    return min(max(target, current * (1 - MOST_CHANGE_PER_MONTH)), current * (1 + MOST_CHANGE_PER_MONTH))


def guess_hours(distance_km: FloatArray, average_speed_km_h: FloatArray) -> FloatArray:
    """Return a guess of the hours behind distances: ``distance / average speed``; to be shown as a guess.

    US Army TM 9-2320-280-10 pairs limits in miles and engine hours that imply 32 to 48 km/h; common practice, no
    source, are 18 km/h for city buses, 9 for refuse trucks, 32 for vans and 60 for trunk haulage.

    Raises:
        RuleError: a speed is not above zero.
    """
    if not np.all(average_speed_km_h > 0):
        raise RuleError(
            f"Average speed {np.min(average_speed_km_h):g} km/h is not usable. Allowed: above 0. Enter the fleet's own."
        )
    return distance_km / average_speed_km_h
