"""A vehicle's year: the stretches in which it is used differently, counted in days from a day."""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite, nan, sqrt

from intervals.usage import CLASS_RATE_SPREAD, LEAST_HISTORY_DAYS
from shop.models import Season, Vehicle

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


def stretches_of(
    vehicle: Vehicle, as_of: date, measured_per_day: float, sigma_per_sqrt_day: float
) -> tuple[list[Stretch], float, float]:
    """Return a vehicle's stretches of use, the rate its scatter belongs to, and that scatter.

    The measured rate holds for the kind of time the vehicle is in now, the rates typed for its season for the rest.
    A laid-up vehicle has no measured scatter; that of its season is then half the use of four weeks, as for a class
    rate.
    """
    season = vehicle.season
    if season is None:
        return [Stretch(0.0, measured_per_day)], measured_per_day, sigma_per_sqrt_day
    is_in = is_in_season(season, as_of)
    inside = measured_per_day if is_in and isfinite(measured_per_day) else _typed(vehicle.in_season_per_day)
    outside = (
        measured_per_day if not is_in and isfinite(measured_per_day) else _typed(vehicle.off_season_per_day)
    )
    stretches = [Stretch(0.0, inside if is_in else outside)]
    for day, opens in _turns(season, as_of):
        stretches.append(Stretch(float((day - as_of).days), inside if opens else outside))
    if measured_per_day > 0:
        return stretches, measured_per_day, sigma_per_sqrt_day
    reference = max((rate for rate in (inside, outside) if isfinite(rate)), default=nan)
    return stretches, reference, CLASS_RATE_SPREAD * reference * sqrt(LEAST_HISTORY_DAYS)


def _turns(season: Season, as_of: date) -> list[tuple[date, bool]]:
    """Return the days after `as_of` on which the season opens (True) or is over (False), in order."""
    turns = []
    for year in range(as_of.year, as_of.year + YEARS_AHEAD + 1):
        turns.append((_on(year, season.opens_month, season.opens_day), True))
        turns.append((_on(year, season.closes_month, season.closes_day) + timedelta(days=1), False))
    return sorted(turn for turn in turns if turn[0] > as_of)


def _on(year: int, month: int, day: int) -> date:
    return date(year, month, min(day, calendar.monthrange(year, month)[1]))


def _typed(rate: float | None) -> float:
    return nan if rate is None else rate
