"""A vehicle's year: the stretches in which it is used differently, counted in days from a day."""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite, nan, sqrt

from intervals.usage import CLASS_RATE_SPREAD, LEAST_HISTORY_DAYS
from shop.models import Season, Vehicle

MEASURED_WITHIN_DAYS = 90
"""How far back the readings behind a measured rate reach."""

YEARS_AHEAD = 4
"""Further ahead than this a season no longer moves a date that anyone books by."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Use per calendar day from a day on, in days from the day asked about."""

    starts_days: float
    rate_per_day: float


def is_in_season(season: Season, day: date) -> bool:
    """Say whether a day lies in the season, both ends included; a season may run over the turn of the year."""
    today = (day.month, day.day)
    opens, closes = (season.opens_month, season.opens_day), (season.closes_month, season.closes_day)
    return opens <= today <= closes if opens <= closes else today >= opens or today <= closes


def season_ends_on(season: Season, day: date) -> date:
    """Return the last day of the season a day lies in."""
    end = _on(day.year, season.closes_month, season.closes_day)
    return end if end >= day else _on(day.year + 1, season.closes_month, season.closes_day)


def season_opens_on(season: Season, day: date) -> date:
    """Return the first day of the next season after a day."""
    start = _on(day.year, season.opens_month, season.opens_day)
    return start if start > day else _on(day.year + 1, season.opens_month, season.opens_day)


@dataclass(frozen=True, slots=True)
class MeasuredUse:
    """Use of a meter as its readings show it.

    last_day: day of the last reading, None without one. class_rate_per_day: typical of the vehicle's class, or nan.
    is_driving: what is typed for the vehicle's season is about this meter; it is not about a power take-off.
    """

    last_day: date | None
    rate_per_day: float
    sigma_per_sqrt_day: float
    class_rate_per_day: float = nan
    is_driving: bool = True


def stretches_of(vehicle: Vehicle, as_of: date, use: MeasuredUse) -> tuple[list[Stretch], float, float]:
    """Return a vehicle's stretches of use from its last reading on, the rate its scatter belongs to, and that scatter.

    The measured rate holds for the season in which most of the readings behind it lie; for the rest of the year the
    rate typed for it holds, or that of the class. A laid-up vehicle has no measured scatter; that of its season is
    then half the use of four weeks, as for a class rate.
    """
    season, measured = vehicle.season, use.rate_per_day
    if season is None or use.last_day is None:
        return [Stretch(0.0, measured)], measured, use.sigma_per_sqrt_day
    typed = (vehicle.in_season_per_day, vehicle.off_season_per_day) if use.is_driving else (None, None)
    is_measured_inside = is_in_season(season, use.last_day - timedelta(days=MEASURED_WITHIN_DAYS // 2))
    inside = _first_known(measured if is_measured_inside else nan, typed[0], use.class_rate_per_day)
    outside = _first_known(measured if not is_measured_inside else nan, typed[1], use.class_rate_per_day)
    begins = float((use.last_day - as_of).days)
    stretches = [Stretch(begins, inside if is_in_season(season, use.last_day) else outside)]
    for day, opens in _turns(season, use.last_day):
        stretches.append(Stretch(float((day - as_of).days), inside if opens else outside))
    if measured > 0:
        return stretches, measured, use.sigma_per_sqrt_day
    reference = max((rate for rate in (inside, outside) if isfinite(rate)), default=nan)
    return stretches, reference, CLASS_RATE_SPREAD * reference * sqrt(LEAST_HISTORY_DAYS)


def _turns(season: Season, day: date) -> list[tuple[date, bool]]:
    """Return the days after a day on which the season opens (True) or is over (False), in order."""
    turns = []
    for year in range(day.year, day.year + YEARS_AHEAD + 1):
        turns.append((_on(year, season.opens_month, season.opens_day), True))
        turns.append((_on(year, season.closes_month, season.closes_day) + timedelta(days=1), False))
    return sorted(turn for turn in turns if turn[0] > day)


def _on(year: int, month: int, day: int) -> date:
    return date(year, month, min(day, calendar.monthrange(year, month)[1]))


def _first_known(*rates: float | None) -> float:
    return next((rate for rate in rates if rate is not None and isfinite(rate)), nan)
