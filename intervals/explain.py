"""One sentence that says why a line is due when it is."""

import math
from dataclasses import dataclass
from datetime import date
from typing import Final

# Written out because the names must not follow the server's language.
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_STALE_FROM_DAYS: Final = 15
_TENTHS_UNITS: Final = ("h",)


@dataclass(frozen=True, slots=True)
class DueFact:
    """The figures behind one line's date, already in the unit it is shown in.

    Attributes:
        as_of: the day asked about.
        clock: "distance", "time" or "hours": the clock told about.
        unit: "km", "mi", "h" or "days".
        hours_of: what hours that are not the engine's are called, such as "power take-off hours".
        used: run so far with what was carried over; None when unknown.
        limit: the limit it counts towards; None when unknown.
        since: day of the last job; None when unknown.
        per_day: use per calendar day; None when unknown.
        due_on: the mean date; None when it cannot be said.
        low, high: the ends of its range; None when it has none.
        carried: age the fluid brought over from before the last job.
        next_run: run the last job allowed; zero or less means it was not enough. None when unknown.
        stale_days: days since the last reading.
        missing: what is lacking, in words.
        season_note: words on the season, if it moves the date.
    """

    as_of: date
    clock: str
    unit: str
    used: float | None = None
    limit: float | None = None
    since: date | None = None
    per_day: float | None = None
    due_on: date | None = None
    low: date | None = None
    high: date | None = None
    carried: float = 0.0
    next_run: float | None = None
    stale_days: int = 0
    missing: tuple[str, ...] = ()
    season_note: str = ""
    hours_of: str = ""


def explain_due(fact: DueFact) -> str:
    """Return the reasons of one line's date as one sentence, such as
    "57 000 of 60 000 km since 17 Feb 2025; 150 km/day → 22 Mar (18–26)".
    """
    parts = [_standing(fact), _course(fact)]
    if fact.carried > 0:
        parts.append(f"{_amount(fact.carried, fact.unit)} of it carried over by the fluid left in")
    if fact.next_run is not None and fact.next_run <= 0:
        parts.append("one change was not enough")
    if fact.stale_days >= _STALE_FROM_DAYS:
        parts.append(f"reading {fact.stale_days} days old")
    if fact.season_note:
        parts.append(fact.season_note)
    if fact.missing:
        parts.append(f"cannot say: {', '.join(fact.missing)}")
    return "; ".join(part for part in parts if part)


def explain_severity(begins: date, severity: float, run: float, counts_as: float, unit: str) -> str:
    """Return a stretch of run in words, such as "since 1 Nov 2025 with 1.3: 4 100 km count as 5 330"."""
    told = f"{_amount(run, unit)} count as {_number(counts_as, unit)}"
    return f"since {_day(begins, None)} with {severity:.4g}: {told}"


def explain_guess(average_speed_km_h: float) -> str:
    """Return how the hours of a vehicle without an hour meter are known; nothing where the speed is nan."""
    if not math.isfinite(average_speed_km_h):
        return ""
    return f"hours guessed from distance at {average_speed_km_h:g} km/h"


def explain_schedule(after: float, unit: str) -> str:
    """Return where a service counts from that does not count from its last job; below zero it lay before the job."""
    if after == 0:
        return ""
    side = "after" if after > 0 else "before"
    return f"counted from the scheduled point, {_amount(abs(after), unit)} {side} the last job"


def _standing(fact: DueFact) -> str:
    if not (_is_known(fact.used) and _is_known(fact.limit)):
        return ""
    since = f" since {_day(fact.since, None)}" if fact.since is not None else ""
    unit = fact.hours_of or fact.unit
    return f"{_number(fact.used, fact.unit)} of {_number(fact.limit, fact.unit)} {unit}{since}"


def _course(fact: DueFact) -> str:
    over = 0.0 if fact.used is None or fact.limit is None else fact.used - fact.limit
    if over > 0:
        passed = f", since {_day(fact.due_on, fact.as_of)}" if fact.due_on is not None else ""
        return f"past due by {_amount(over, fact.unit)}{passed}"
    use = ""
    if fact.clock != "time" and _is_known(fact.per_day):
        use = (
            f"{_number(fact.per_day, fact.unit, is_rate=True)} {fact.unit}/day"
            if fact.per_day
            else "standing, no use expected"
        )
    if fact.due_on is None:
        return use
    lead = f"{use} →" if use else "due"
    return f"{lead} {_day(fact.due_on, fact.as_of)}{_range(fact)}"


def _range(fact: DueFact) -> str:
    if fact.low is None or fact.high is None or fact.due_on is None or fact.low == fact.high:
        return ""
    months = {(day.year, day.month) for day in (fact.low, fact.high, fact.due_on)}
    if len(months) == 1:
        return f" ({fact.low.day}–{fact.high.day})"
    return f" ({_day(fact.low, fact.as_of)} – {_day(fact.high, fact.as_of)})"


def _is_known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _day(day: date | None, as_of: date | None) -> str:
    if day is None:
        return ""
    year = "" if as_of is not None and day.year == as_of.year else f" {day.year}"
    return f"{day.day} {_MONTHS[day.month - 1]}{year}"


def _number(value: float | None, unit: str, *, is_rate: bool = False) -> str:
    if value is None:
        return ""
    is_small_rate = is_rate and abs(value) < 10
    text = f"{value:,.1f}" if unit in _TENTHS_UNITS or is_small_rate else f"{value:,.0f}"
    return text.replace(",", " ")


def _amount(value: float | None, unit: str) -> str:
    return f"{_number(value, unit)} {unit}"
