"""Putting a due line off: where it will stand when it comes back, who must answer for that, and the signed list."""

import datetime
from dataclasses import dataclass
from math import ceil, isfinite, isnan

import numpy as np
from django.db.models import QuerySet

from intervals.due import STATES
from intervals.season import UseCalendar
from shop import clock
from shop.errors import InputError
from shop.models import DueLine, Hold, Meter, Person, Unit, UnitModel
from shop.selectors.access import due_lines_of, vehicles_of
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due_today import explained
from shop.selectors.holds import holds_in_force

SAFETY_KINDS = (UnitModel.Kind.BRAKES, UnitModel.Kind.STEERING)
"""Units whose fluid is a matter of safety. Common practice, no source."""

LONGEST_DAYS = 400
ENDED_ROWS = 40


@dataclass(frozen=True, slots=True)
class DeferralAsked:
    """Until when a line is to be put off.

    until: the day it comes back. until_total: the true total of its meter, km or h, at which it comes back before.
    At least one is needed.
    """

    until: datetime.date | None = None
    until_total: float | None = None


@dataclass(frozen=True, slots=True)
class DeferralSight:
    """What the signer sees before signing.

    Attributes:
        line: the line as it stands.
        comes_back_on: the day it comes back at the latest.
        meter: the meter of the total, None without one.
        until_total: that total, km or h.
        share: place in the interval on that day; 1 is due.
        state: state on that day.
        over_share: how far past due it will be then, a share of the interval; 0 where it will not.
        asks_for: why a named person must answer for it; empty where nobody need.
        refusal: why it cannot be put off so far; empty where it can.
    """

    line: DueLine
    comes_back_on: datetime.date
    meter: Meter | None
    until_total: float | None
    share: float | None
    state: str
    over_share: float
    asks_for: tuple[str, ...]
    refusal: str

    @property
    def sentence(self) -> str:
        """Where it will stand, in a sentence."""
        day = f"{self.comes_back_on.day} {self.comes_back_on:%b %Y}"
        if self.share is None:
            return f"Cannot say where it will stand on {day}."
        over = f", {100 * self.over_share:.1f} % over" if self.over_share > 0 else ", not past due"
        return f"On {day} it will be at {100 * self.share:.1f} % of its interval{over}: {self.state}."


def line_of(person: Person, unit: Unit, subject: str) -> DueLine | None:
    """Return the due line of a subject of a unit the person may see, or None."""
    return due_lines_of(person).filter(unit=unit, rule__subject=subject).first()


def deferral_sight(line: DueLine, asked: DeferralAsked) -> DeferralSight:
    """Work out where a line will stand when it comes back; nothing is stored.

    Raises InputError with the fields that are wrong.
    """
    today = clock.today(line.vehicle.depot.time_zone)
    now = gather(today, line.unit.fittings.filter(removed_on__isnull=True))
    row = _row_of(now, line)
    meter = None
    until = asked.until
    if asked.until_total is not None:
        meter, reached_on = _day_of_total(now, row, asked.until_total)
        until = min((day for day in (until, reached_on) if day is not None), default=None)
        if until is None:
            sentence = "No use is expected, so the total may never come; give a day as well."
            raise InputError(sentence, fields={"until": sentence})
    if until is None:
        sentence = "Give the day it comes back, a meter total, or both."
        raise InputError(sentence, fields={"until": sentence})
    if not today < until <= today + datetime.timedelta(days=LONGEST_DAYS):
        sentence = f"{until} cannot be; it comes back on a day after today, within {LONGEST_DAYS} days."
        raise InputError(sentence, fields={"until": sentence})
    then = gather(until, line.unit.fittings.filter(removed_on__isnull=True))
    result = then.due(until)
    at = _row_of(then, line)
    share = float(np.nanmax(result.u[at])) if not np.isnan(result.u[at]).all() else float("nan")
    state = STATES[result.state[at]]
    return DeferralSight(
        line=line,
        comes_back_on=until,
        meter=meter,
        until_total=asked.until_total,
        share=None if isnan(share) else share,
        state=state,
        over_share=0.0 if isnan(share) else max(0.0, share - 1.0),
        asks_for=_asks_for(line, share, state, today),
        refusal=_refusal(line, share, state),
    )


def meter_of(line: DueLine) -> Meter | None:
    """Return the meter a line counts on, the odometer where its rule has a distance; None without one."""
    today = clock.today(line.vehicle.depot.time_zone)
    now = gather(today, line.unit.fittings.filter(removed_on__isnull=True))
    own = now.lines[_row_of(now, line)]
    if own.version.interval_km is not None:
        return own.odometer
    return own.hour_meter if own.version.interval_h is not None else None


def deferrals_of(person: Person) -> QuerySet[Hold]:
    """Return every signed deferral of the person's vehicles, the newest first."""
    return (
        Hold.objects.filter(kind=Hold.Kind.DEFERRAL, vehicle__in=vehicles_of(person))
        .select_related("vehicle__depot", "unit", "rule", "until_meter")
        .order_by("-from_day", "-pk")
    )


@dataclass(frozen=True, slots=True)
class Deferral:
    """A deferral with the line it is about as it stands now; None where it has none any more."""

    hold: Hold
    line: DueLine | None


@dataclass(frozen=True, slots=True)
class DeferralList:
    """The signed list: those in force by the day they come back, and the latest that are over."""

    in_force: list[Deferral]
    over: list[Deferral]


def deferral_list(person: Person) -> DeferralList:
    """Gather the signed list in a number of queries that does not grow with it."""
    holds = deferrals_of(person)
    days = {
        zone: clock.today(zone) for zone in set(holds.values_list("vehicle__depot__time_zone", flat=True))
    }
    counting: set[int] = set()
    for zone, day in days.items():
        counting |= set(
            holds_in_force(day)
            .filter(kind=Hold.Kind.DEFERRAL, vehicle__depot__time_zone=zone)
            .values_list("pk", flat=True)
        )
    lines: dict[tuple[int, int], DueLine] = {}
    for line in due_lines_of(person).filter(unit__holds__in=holds).distinct():
        lines[line.unit_id, line.rule_id] = line
    explained(lines.values())
    first_of_unit = {line.unit_id: line for line in reversed(lines.values())}

    def shown(hold: Hold) -> Deferral:
        if hold.rule_id is not None and hold.unit_id is not None:
            return Deferral(hold, lines.get((hold.unit_id, hold.rule_id)))
        return Deferral(hold, first_of_unit.get(hold.unit_id) if hold.unit_id else None)

    found = [shown(hold) for hold in holds]
    in_force = [one for one in found if one.hold.pk in counting]
    in_force.sort(key=lambda one: (one.hold.until or datetime.date.max, one.hold.vehicle.number))
    return DeferralList(in_force, [one for one in found if one.hold.pk not in counting][:ENDED_ROWS])


def _row_of(inputs: CoreInputs, line: DueLine) -> int:
    for row, own in enumerate(inputs.lines):
        if own.rule.pk == line.rule_id:
            return row
    sentence = f"By {inputs.as_of} {line.vehicle.number} has left or the rule is gone, so nothing is due."
    raise InputError(sentence, fields={"until": sentence})


def _day_of_total(inputs: CoreInputs, row: int, total: float) -> tuple[Meter, datetime.date | None]:
    """Return the line's meter and the day it is expected to show a total; None where no use is expected."""
    line = inputs.lines[row]
    is_distance = line.version.interval_km is not None
    own, usage = (
        (inputs.distance, inputs.distance_usage) if is_distance else (inputs.hours, inputs.hours_usage)
    )
    meter = line.odometer if is_distance else line.hour_meter
    if meter is None or not isfinite(usage.last_total[row]):
        sentence = f"{line.fitting.vehicle.number} has no read meter this line counts on; give a day instead."
        raise InputError(sentence, fields={"until_total": sentence})
    calendar = UseCalendar.build(
        own.stale_days, own.segment_starts_days, own.segment_rates, own.reference_rate
    )
    days = calendar.day_of(np.full(len(own.interval), total - usage.last_total[row]))[row]
    if total <= usage.last_total[row] or days <= 0:
        sentence = "The meter is there already; give a higher total."
        raise InputError(sentence, fields={"until_total": sentence})
    if not isfinite(days) or days > LONGEST_DAYS:
        return meter, None
    return meter, inputs.as_of + datetime.timedelta(days=ceil(float(days)))


def _asks_for(line: DueLine, share: float, state: str, today: datetime.date) -> tuple[str, ...]:
    """Return why somebody named has to answer for a line that runs past due."""
    if not share > 1.0:
        return ()
    found = []
    if line.unit.unit_model.kind in SAFETY_KINDS:
        found.append(f"the {line.unit.unit_model.kind} is a matter of safety")
    warranty = line.vehicle.warranty_until
    if warranty is not None and warranty >= today:
        found.append(f"the maker's warranty runs until {warranty.day} {warranty:%b %Y}")
    if state == "late":
        found.append("the service window will have closed")
    return tuple(found)


def _refusal(line: DueLine, share: float, state: str) -> str:
    if isnan(share):
        (told,) = explained([line])
        return f"Cannot say where it will stand: {', '.join(told.facts.get('missing', [])) or 'figures are missing'}."
    if state == "late" and line.unit.unit_model.kind in SAFETY_KINDS:
        return (
            f"The {line.unit.unit_model.kind} is a matter of safety and would be late; take an earlier day."
        )
    return ""
