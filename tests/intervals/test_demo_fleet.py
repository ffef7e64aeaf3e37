"""Forty invented vehicles with their known states and dates, run through the projection together."""

from collections import Counter
from datetime import date, timedelta

import numpy as np
import pytest

from intervals.due import CLOCKS, STATES, Clock, TimeClock, compute_due, shown_day
from intervals.fluid_age import time_clock_days_array
from intervals.quantities import to_km

DAY_0 = date(2026, 3, 2)
NAN = np.nan
# Reference calculation. Number, last job, used now, limit, unit, months, per day, stale days, carried,
# percent by meter, percent by calendar, falls due (None = passed), clock, state.
FLEET = """
K01 2025-02-17 57000 60000 km 48 150 0 0 95.0 25.9 2026-03-22 distance window open
K02 2026-01-14 70514 60000 km 48 110 0 65414 117.5 - passed distance late
K03 2025-02-24 55500 60000 km 48 150 0 0 92.5 25.4 2026-04-01 distance window open
K04 2024-07-29 63900 60000 km 48 110 0 0 106.5 39.8 passed distance due
K05 2025-05-02 40985 60000 km 48 135 0 0 68.3 20.8 2026-07-20 distance not yet
K06 2025-01-25 56200 60000 km 48 140 45 0 93.7 27.4 2026-03-29 distance window open
K07 2025-11-10 12600 60000 km 48 112 0 0 21.0 7.7 2027-04-29 distance not yet
K08 2025-01-06 61300 60000 km 48 145 0 0 102.2 28.7 passed distance due
K09 2025-01-09 66900 60000 km 48 160 0 0 111.5 28.5 passed distance late
K10 2025-06-04 35200 60000 km 48 130 0 0 58.7 18.5 2026-09-08 distance not yet
K11 2021-01-18 62200 120000 km 60 33 0 0 51.8 102.4 2026-01-18 time due
K12 2025-09-08 19400 120000 km 60 110 0 0 16.2 9.6 2028-09-01 distance not yet
K13 2024-05-29 61000 120000 km 60 95 0 0 50.8 35.2 2027-11-13 distance not yet
K14 2024-09-14 48300 50000 km 36 90 0 0 96.6 48.8 2026-03-20 distance window open
K15 2026-02-06 2050 50000 km 36 85 0 0 4.1 2.2 2027-09-17 distance not yet
K16 2025-04-18 31800 50000 km 36 100 0 0 63.6 29.0 2026-08-31 distance not yet
K17 2024-12-23 45700 50000 km 36 105 0 0 91.4 39.6 2026-04-11 distance window open
K18 2024-07-08 57300 60000 km 48 95 0 0 95.5 41.2 2026-03-30 distance window open
K19 2025-04-10 39200 40133.779 km 48 120 0 0 97.7 22.3 2026-03-09 distance window open
K20 2025-03-15 28200 60000 km 48 80 0 0 47.0 24.1 2027-04-03 distance not yet
K21 2023-11-06 59500 60000 km 48 70 0 0 99.2 58.0 2026-03-09 distance window open
K22 2025-05-21 1482.5 1500 h 36 5.2 0 0 98.8 26.0 2026-03-05 hours window open
K23 2025-07-07 1150 1500 h 36 4.8 0 0 76.7 21.7 2026-05-13 hours not yet
K24 2025-08-04 890 1500 h 36 4.2 0 0 59.3 19.2 2026-07-25 hours not yet
K25 2025-08-25 870 1500 h 36 4.6 0 0 58.0 17.2 2026-07-16 hours not yet
K26 2025-07-28 1025 1500 h 36 4.7 0 0 68.3 19.8 2026-06-11 hours not yet
K27 2024-11-22 88300 90000 km 24 190 0 0 98.1 63.7 2026-03-10 distance window open
K28 2025-08-18 39500 90000 km 24 200 0 0 43.9 26.8 2026-11-09 distance not yet
K29 2026-02-19 2000 90000 km 24 185 0 0 2.2 1.5 2027-06-20 distance not yet
K30 2024-10-28 88400 90000 km 24 180 0 0 98.2 67.1 2026-03-10 distance window open
K31 2023-03-13 770 1500 h 36 1.7 0 0 51.3 99.0 2026-03-13 time window open
K32 2024-04-08 485 1500 h 36 1.6 0 0 32.3 63.3 2027-04-08 time not yet
K33 2023-05-02 1460 1500 h 36 3.2 0 0 97.3 94.4 2026-03-14 hours window open
K34 2024-09-02 1960 2000 h 24 3.6 0 0 98.0 74.8 2026-03-13 hours window open
K35 2025-03-17 1205 2000 h 24 3.4 0 0 60.2 47.9 2026-10-21 hours not yet
K36 2022-09-12 49250 50000 mi 48 39 0 0 98.5 86.7 2026-03-21 distance window open
K37 2023-11-06 26420 50000 mi 48 31 0 0 52.8 58.0 2027-11-06 time not yet
K38 2025-04-14 382 400 h 12 0 0 0 95.5 88.2 2026-04-04 hours window open
K39 2025-04-28 330 400 h 12 0 0 0 82.5 84.4 2026-04-13 hours not yet
K40 - - 1000 h 24 1.4 0 0 - - - - cannot say
"""
ROWS = [line.split(maxsplit=13) for line in FLEET.strip().splitlines()]
# The mowers stand until 1 April, then run 5.5 h a day.
MOWERS = ("K38", "K39")


def number(text: str) -> float:
    return NAN if text == "-" else float(text)


def meters(kind: str) -> Clock:
    columns: list[tuple[float, ...]] = []
    for name, _, used, limit, unit, _, rate, stale, carried, *_ in ROWS:
        if (unit == "h") != (kind == "hours"):
            columns.append((NAN,) * 10)
            continue
        scale = to_km(1.0, "mi") if unit == "mi" else 1.0
        interval, per_day, days = number(limit) * scale, number(rate) * scale, number(stale)
        since = number(used) * scale - number(carried) - days * per_day
        season = 5.5 if name in MOWERS else per_day
        allowed = interval - number(carried)
        columns.append((interval, since, allowed, days, season, 0.6 * season, 0.0, 30.0, per_day, season))
    table = np.array(columns).T
    return Clock(*table[:6], table[6:8].T, table[8:10].T)


def days_since() -> tuple[TimeClock, np.ndarray]:
    jobs = np.array(["NaT" if row[1] == "-" else row[1] for row in ROWS], dtype="datetime64[D]")
    interval, allowed = time_clock_days_array(
        jobs, np.array([float(row[5]) for row in ROWS]), np.zeros(len(ROWS))
    )
    since = (np.datetime64(DAY_0) - jobs).astype("timedelta64[D]").astype(float)
    since[np.isnat(jobs)] = NAN
    interval[np.isnat(jobs)] = 730.0
    return TimeClock(interval, since, allowed), since


@pytest.fixture(scope="module")
def result() -> object:
    time, _ = days_since()
    width = np.full(len(ROWS), 0.1)
    return compute_due(DAY_0, meters("distance"), meters("hours"), time, width, width)


def test_every_vehicle_has_its_state_clock_and_date(result: object) -> None:
    for at, row in enumerate(ROWS):
        name, due, clock, state = row[0], row[11], row[12], row[13]
        assert STATES[result.state[at]] == state, name
        if name == "K40":
            assert np.isnan(result.due_days[at])
            continue
        by_meter = np.nanmax(result.u[at, [0, 2]])
        assert 100 * by_meter == pytest.approx(float(row[9]), abs=0.051), name
        if row[10] != "-":
            assert 100 * result.u[at, 1] == pytest.approx(float(row[10]), abs=0.051), name
        assert CLOCKS[result.due_clock[at]] == clock, name
        shown = DAY_0 + timedelta(days=int(shown_day(result.due_days)[at]))
        assert (shown < DAY_0) if due == "passed" else (shown.isoformat() == due), name


def test_the_counts_of_the_morning(result: object) -> None:
    counts = Counter(STATES[code] for code in result.state)
    assert counts == {"late": 2, "due": 3, "window open": 16, "not yet": 18, "cannot say": 1}


def test_the_eight_that_fall_due_within_two_weeks(result: object) -> None:
    ahead = [row[0] for at, row in enumerate(ROWS) if 0 <= result.due_days[at] < 15]
    assert ahead == ["K19", "K21", "K22", "K27", "K30", "K31", "K33", "K34"]


def test_ranges_bracket_the_dates(result: object) -> None:
    is_ahead = result.due_days >= 0
    assert is_ahead.sum() == 34
    low, early, middle, high = (
        values[is_ahead] for values in (result.p10_days, result.p20_days, result.p50_days, result.p90_days)
    )
    assert (low <= early).all()
    assert (early <= middle).all()
    assert (middle <= high).all()
    assert (low <= result.due_days[is_ahead]).all()
    assert (np.floor(result.due_days[is_ahead]) <= np.ceil(high)).all()
