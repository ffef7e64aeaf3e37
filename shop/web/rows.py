"""Rows of the due list as the pages and the CSV file show them."""

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from shop import clock
from shop.web.pictures import Gauge, gauge, strip

CLOCK_WORDS = {"distance": "by distance", "hours": "by hours", "time": "by time"}


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One clock of a line with its scale; its window opens and is late at these shares of the interval.

    counts: what it counts, where its name does not say: hours of the power take-off, or guessed ones.
    """

    name: str
    counts: str
    used: float | None
    limit: float | None
    unit: str
    share: float | None
    per_day: float | None
    scatter: float | None
    state: str
    missing: str
    due_on: datetime.date | None
    left: float | None
    over: float | None
    opens_share: float
    late_share: float
    is_deciding: bool

    @property
    def picture(self) -> Gauge:
        """Its service window on a wide scale."""
        return strip(self.share, self.opens_share, self.late_share)


@dataclass(frozen=True, slots=True)
class DueRow:
    """A due line ready to be shown.

    line: the due line as the selectors give it. clocks: every clock the rule has; deciding: the one that gives the
    state, None when none can. today: the depot's day, against which dates are worded.
    """

    line: Any
    today: datetime.date
    clocks: tuple[ClockRow, ...]
    deciding: ClockRow | None
    picture: Gauge
    clock_words: str
    is_past: bool
    missing: list[str] = field(default_factory=list)
    waiting: str = ""


def due_row(line: Any, today: datetime.date, waiting: str = "") -> DueRow:
    """Prepare one line; a figure the run could not give stays None. waiting: what its job waits for, in words."""
    facts: Mapping[str, Any] = line.facts or {}
    clocks = tuple(_clock_row(item, line.clock) for item in facts.get("clocks", ()))
    deciding = next((row for row in clocks if row.is_deciding), None)
    shares = next((item for item in facts.get("clocks", ()) if item.get("clock") == line.clock), {})
    return DueRow(
        line=line,
        today=today,
        clocks=clocks,
        deciding=deciding,
        picture=gauge(line.used_share, shares.get("opens_share", 0.9), shares.get("late_share", 1.1)),
        clock_words=CLOCK_WORDS.get(line.due_clock or line.clock, ""),
        is_past=line.due_on is not None and line.due_on < today,
        missing=list(facts.get("missing", ())),
        waiting=waiting,
    )


def due_rows(lines: Iterable[Any], waiting: Mapping[str, Any] | None = None) -> list[DueRow]:
    """Prepare many lines, each against its own depot's today; lines carry vehicle and depot already.

    waiting: unit code → the delivery its fluid job waits for.
    """
    days: dict[str, datetime.date] = {}
    rows = []
    for line in lines:
        zone = line.vehicle.depot.time_zone
        own = (waiting or {}).get(line.unit.code) if line.rule.subject == "fluid" else None
        rows.append(due_row(line, days.setdefault(zone, clock.today(zone)), own.words if own else ""))
    return rows


def _clock_row(item: Mapping[str, Any], deciding: str) -> ClockRow:
    used, limit = item.get("used"), item.get("limit")
    is_known = used is not None and limit is not None
    return ClockRow(
        name=item["clock"],
        counts=item.get("counts", ""),
        used=used,
        limit=limit,
        unit=item.get("unit", ""),
        share=item.get("share"),
        per_day=item.get("per_day"),
        scatter=item.get("scatter"),
        state=item.get("state", ""),
        missing=item.get("missing", ""),
        due_on=datetime.date.fromisoformat(item["due_on"]) if item.get("due_on") else None,
        left=limit - used if is_known and used <= limit else None,
        over=used - limit if is_known and used > limit else None,
        opens_share=item.get("opens_share", 0.9),
        late_share=item.get("late_share", 1.1),
        is_deciding=item["clock"] == deciding,
    )
