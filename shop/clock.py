"""The only place that reads the time, so that a run can be told which day it is."""

import datetime
import zoneinfo

_pinned: datetime.datetime | None = None


def now() -> datetime.datetime:
    """Return the present instant in UTC, or the pinned one."""
    return _pinned or datetime.datetime.now(datetime.UTC)


def today(time_zone: str) -> datetime.date:
    """Return the local day in an IANA time zone."""
    return now().astimezone(zoneinfo.ZoneInfo(time_zone)).date()


def local_time(time_zone: str) -> datetime.time:
    """Return the local time of day in an IANA time zone."""
    return now().astimezone(zoneinfo.ZoneInfo(time_zone)).time()


def pin(instant: datetime.datetime | None) -> None:
    """Hold the clock at an instant for this whole process (the demo's day 0), or let it run again with None."""
    global _pinned
    _pinned = instant


def is_pinned() -> bool:
    """Say whether the clock is held."""
    return _pinned is not None


def local_instant(day: datetime.date, time: datetime.time, time_zone: str) -> datetime.datetime:
    """Return the UTC instant of a local day and time; a time the clock change skips moves to the next that exists."""
    local = datetime.datetime.combine(day, time, zoneinfo.ZoneInfo(time_zone))
    return local.astimezone(datetime.UTC)
