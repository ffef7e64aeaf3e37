"""Worked-out lines in the columns they are stored in; words are made when somebody reads them."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.clocks import Clock, TimeClock
from intervals.due import (
    ABSENT,
    CANNOT_SAY,
    CLOCKS,
    DISTANCE,
    DUE,
    HOURS,
    LATE,
    NOT_YET,
    OK,
    STATES,
    DueResult,
    first_day_after,
    first_day_at,
    is_steady,
    shown_day,
    shown_high_day,
)
from shop.selectors.column_reading import day_number, one_of, rank_in, read_columns
from shop.selectors.due import OVERLAYS
from shop.selectors.line_clocks import LineArrays

FloatArray = npt.NDArray[np.float64]
Columns = dict[str, FloatArray]

DAYS = (
    "opens_on", "due_on", "late_on", "due_low_on", "due_high_on", "book_by", "done_on", "counted_from",
    "next_change_on", "worked_out_for",
)  # fmt: skip
STEADY = ("due_on", "due_low_on", "due_high_on", "book_by")
COMPARED = (
    "vehicle_id", "state", "overlays", "opens_on", "due_on", "late_on", "due_low_on", "due_high_on", "book_by",
    "due_clock", "done_on", "counted_from", "cycle_days", "next_change_on",
)  # fmt: skip
"""What makes a line worth writing again; its clock and used share run on by themselves."""

EVERY_DAY = date(1, 1, 1)
"""`next_change_on` of a line that any day may change: one that cannot be said, is held back or follows a season."""


@dataclass(frozen=True, slots=True)
class LineKeys:
    """Which lines: keys, and the ordinal of each one's last job, nan when not known."""

    unit: FloatArray
    rule: FloatArray
    vehicle: FloatArray
    done_day: FloatArray


def as_columns(as_of: date, keys: LineKeys, lines: LineArrays, *, may_change_daily: bool) -> Columns:
    """Work lines out and return them as they are stored, before overlays and before dates are held steady.

    may_change_daily: something beside use moves these lines once they are near.
    """
    result = lines.due(as_of)
    today = float(result.as_of.toordinal())
    due, opens = today + shown_day(result.due_days), today + first_day_at(result.opens_days)
    low, high = today + shown_day(result.p10_days), today + shown_high_day(result.p90_days)
    has_range = np.isfinite(low) & np.isfinite(high)
    low, high = np.where(has_range, low, np.nan), np.where(has_range, high, np.nan)
    # What has passed has no range left.
    is_over = (high <= today) & np.isfinite(due)
    told = np.where(result.due_clock >= 0, result.due_clock, result.binding)
    columns = {
        "unit_id": keys.unit,
        "rule_id": keys.rule,
        "vehicle_id": keys.vehicle,
        "state": result.state.astype(np.float64),
        "clock": result.binding.astype(np.float64),
        "used_share": np.where(
            result.binding >= 0, np.take_along_axis(result.u, result.binding[:, None], axis=1)[:, 0], np.nan
        ),
        # A window that is open and due on the day of the job itself does not open after it falls due.
        "opens_on": np.where(np.isnan(due), opens, np.minimum(opens, due)),
        "due_on": due,
        "late_on": today + first_day_after(result.late_days),
        "due_low_on": np.where(is_over, due, low),
        "due_high_on": np.where(is_over, due, high),
        "book_by": today + shown_day(result.p20_days),
        "due_clock": result.due_clock.astype(np.float64),
        "done_on": keys.done_day,
        "counted_from": np.select(
            [told == DISTANCE, told == HOURS],
            [lines.distance_usage.last_day, lines.hours_usage.last_day],
            np.nan,
        ),
        "cycle_days": cycle_days_of(lines.distance, lines.hours, lines.time),
        "worked_out_for": np.full(len(due), today),
    }
    for name in ("opens_on", "due_on", "late_on", "due_low_on", "due_high_on", "book_by"):
        columns[name] = _in_the_calendar(columns[name])
    columns["next_change_on"] = _next_change(result, high, may_change_daily=may_change_daily)
    return columns


def _in_the_calendar(days: FloatArray) -> FloatArray:
    """Return ordinals of days; one no calendar reaches, of a vehicle that hardly moves, is no day."""
    return np.where((days >= 1) & (days <= date.max.toordinal()), days, np.nan)


def _next_change(result: DueResult, high: FloatArray, *, may_change_daily: bool) -> FloatArray:
    """Return the ordinal of the first day on which a line changes though no news comes; nan: none.

    The window opens, it falls due, it is late, or the last day of its range has come.
    """
    today = float(result.as_of.toordinal())
    state = result.state
    turns = [
        (first_day_at(result.opens_days), state == NOT_YET),
        (first_day_at(result.due_days), state < DUE),
        (first_day_after(result.late_days), state < LATE),
        (high - today, high > today),
    ]
    ahead = np.min([np.where(is_ahead, np.maximum(days, 1.0), np.inf) for days, is_ahead in turns], axis=0)
    is_open_question = ((result.missing != OK) & (result.missing != ABSENT)).any(axis=1)
    is_daily = is_open_question | (state == CANNOT_SAY) | (may_change_daily & (state != NOT_YET))
    days = _in_the_calendar(today + ahead)
    return np.where(is_daily, float(EVERY_DAY.toordinal()), days)


def cycle_days_of(distance: Clock, hours: Clock, time: TimeClock) -> FloatArray:
    """Return how many days one interval lasts at the present use, whichever clock is first; nan: cannot say."""
    with np.errstate(divide="ignore", invalid="ignore"):
        lives = [
            distance.interval / distance.reference_rate,
            hours.interval / hours.reference_rate,
            time.interval_days,
        ]
    shortest = np.min([np.where(np.isfinite(life) & (life > 0), life, np.inf) for life in lives], axis=0)
    return np.where(np.isfinite(shortest), shortest, np.nan)


def stored_columns(unit_pks: FloatArray) -> Columns:
    """Read the stored lines of units, in columns; texts are places in their lists, overlays one bit each."""
    state, states = rank_in("d.state", STATES)
    clock, clocks = rank_in("d.due_clock", CLOCKS)
    found = (
        "strpos(cast(d.overlays as text), %s)"
        if connection.vendor == "postgresql"
        else "instr(d.overlays, %s)"
    )
    bits = " + ".join(
        f"case when {found} > 0 then {1 << place} else 0 end" for place, _ in enumerate(OVERLAYS)
    )
    return read_columns(
        {
            "id": "d.id", "unit_id": "d.unit_id", "rule_id": "d.rule_id", "vehicle_id": "d.vehicle_id",
            "state": state, "due_clock": f"coalesce({clock}, -1)", "cycle_days": "d.cycle_days",
            # Most lines have none, which is seen faster than each that is not there.
            "overlays": f"case when d.overlays = '[]' then 0 else {bits} end",
            **{name: day_number(f"d.{name}") for name in DAYS},
        },
        f"from shop_dueline d where {one_of('d.unit_id', unit_pks)}",
        [*states, *clocks, *OVERLAYS],
    )  # fmt: skip


def hold_steady(new: Columns, old: Columns, as_of: date) -> None:
    """Leave the shown dates alone where they would move by a day or two and nothing else happened."""
    has_changed = (
        _differs(new["state"], old["state"])
        | _differs(new["due_clock"], old["due_clock"])
        | _differs(new["done_on"], old["done_on"])
        | (old["worked_out_for"] > as_of.toordinal())
    )
    stays = ~has_changed & np.logical_and.reduce([is_steady(old[name], new[name]) for name in STEADY])
    for name in STEADY:
        new[name] = np.where(stays, old[name], new[name])


def is_worth_writing(new: Columns, old: Columns) -> npt.NDArray[np.bool_]:
    """Return which lines differ from what is stored in anything that counts."""
    return np.logical_or.reduce([_differs(new[name], old[name]) for name in COMPARED])


def _differs(new: FloatArray, old: FloatArray) -> npt.NDArray[np.bool_]:
    return (new != old) & ~(np.isnan(new) & np.isnan(old))
