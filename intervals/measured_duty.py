"""Severity measured on the fluid: running hours at each temperature, month by month, and the step they allow."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from intervals.duty import (
    LEAST_EVIDENCE_MONTHS,
    LEAST_SENSOR_SHARE,
    severity_from_temperature_hours,
    step_severity,
)
from intervals.rules import add_months

USE: Final = "use"
END: Final = "end"
NOTHING: Final = "nothing"


@dataclass(frozen=True, slots=True)
class MonthHours:
    """One month of a unit.

    Attributes:
        month: its first day.
        hours_at: running hours by fluid temperature, °C → h.
        unseen_h: running hours the sensor did not see; None when not known.
    """

    month: date
    hours_at: Mapping[float, float]
    unseen_h: float | None


@dataclass(frozen=True, slots=True)
class MeasuredDuty:
    """What the newest months measure.

    Attributes:
        severity: by temperature hours; None without hours.
        sensor_share: share of the running hours the sensor saw; None when not known.
        months: the consecutive months counted, at most two, oldest first.
        seen_h: hours the sensor saw in them.
    """

    severity: float | None
    sensor_share: float | None
    months: tuple[date, ...]
    seen_h: float

    @property
    def is_covered(self) -> bool:
        """Whether the sensor saw enough of the hours to stand for all of them."""
        return self.sensor_share is not None and self.sensor_share >= LEAST_SENSOR_SHARE


@dataclass(frozen=True, slots=True)
class SeverityProposal:
    """What to do with a measured severity: use a step towards it from a day, end the one that holds, or nothing.

    Attributes:
        action: "use", "end" or "nothing".
        value: the severity to use; None unless the action is "use".
        applies_from: the day it counts from; None for nothing.
        sentence: why, with the figures.
    """

    action: str
    value: float | None
    applies_from: date | None
    sentence: str


def measured_duty(months: Sequence[MonthHours]) -> MeasuredDuty:
    """Return what the newest two consecutive months with hours measure; fewer if there are no more."""
    ordered = sorted(months, key=lambda one: one.month)
    newest = ordered[-LEAST_EVIDENCE_MONTHS:]
    while len(newest) > 1 and add_months(newest[0].month, 1) != newest[1].month:
        newest = newest[1:]
    seen: dict[float, float] = {}
    for month in newest:
        for temp_c, hours in month.hours_at.items():
            seen[temp_c] = seen.get(temp_c, 0.0) + hours
    seen_h = math.fsum(seen.values())
    unseen = [month.unseen_h for month in newest]
    known = [hours for hours in unseen if hours is not None]
    share = seen_h / (seen_h + math.fsum(known)) if seen_h and len(known) == len(unseen) else None
    severity = (
        severity_from_temperature_hours([hours / seen_h for hours in seen.values()], list(seen))
        if seen_h
        else None
    )
    return MeasuredDuty(severity, share, tuple(month.month for month in newest), seen_h)


def evidence_ran_out(newest: date | None, today: date) -> bool:
    """Say whether the last two whole months lack hours, so that nobody knows what the sensor still sees.

    House rule, no source; the same two months a change needs.

    Args:
        newest: first day of the newest month with hours; None without any.
        today: the day asked about.
    """
    return newest is None or add_months(newest, LEAST_EVIDENCE_MONTHS + 1) <= today


def propose_severity(measured: MeasuredDuty, current: float, held_since: date | None) -> SeverityProposal:
    """Propose the step from the severity of now towards the measured one.

    Two months of evidence are needed and a month moves it by at most 15 %, so one odd month cannot move every date.
    A sensor that sees less than 60 % of the hours leaves the duty factors to decide.

    Args:
        measured: what the newest months measure.
        current: the severity before the day of the step.
        held_since: from when the newest measured severity holds; None while duty factors or nothing decides.
    """
    if measured.severity is None or not measured.months:
        return SeverityProposal(NOTHING, None, None, "No temperature hours are on record.")
    begins = add_months(measured.months[-1], 1)
    if measured.sensor_share is None:
        sentence = (
            "Cannot say how much of the hours the sensor saw: type the hours it did not see, 0 if it saw all."
        )
        return SeverityProposal(NOTHING, None, None, sentence)
    saw = f"The sensor saw {measured.sensor_share:.0%} of the hours"
    if not measured.is_covered:
        if held_since is None or held_since >= begins:
            return SeverityProposal(NOTHING, None, None, f"{saw}, 60 % are needed: the duty factors decide.")
        return SeverityProposal(END, None, begins, f"{saw}, 60 % are needed: the duty factors decide again.")
    if len(measured.months) < LEAST_EVIDENCE_MONTHS:
        return SeverityProposal(NOTHING, None, None, f"{saw} of one month; two in a row are needed.")
    if held_since is not None and held_since >= begins:
        sentence = f"{saw}; this month's step is made, the next follows another month of hours."
        return SeverityProposal(NOTHING, None, None, sentence)
    value = step_severity(current, measured.severity, len(measured.months))
    is_whole = math.isclose(value, measured.severity)
    reach = "all of it at once" if is_whole else "at most 15 % a month, so a step towards it"
    sentence = f"{saw} and measures {measured.severity:.4g}; from {current:.4g} that is {reach}: {value:.4g}."
    return SeverityProposal(USE, value, begins, sentence)
