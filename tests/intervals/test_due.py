"""Due windows and dates: the US Army's variance cases, the reference calculations, and the slow twin."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.optimize import brentq

from intervals.due import (
    CLOCKS,
    DISTANCE,
    HOURS,
    REASONS,
    STATES,
    TIME,
    Clock,
    DueResult,
    TimeClock,
    compute_due,
    first_day_after,
    first_day_at,
    is_steady,
    probability_due_by,
    shown_day,
    shown_high_day,
)
from intervals.errors import RuleError
from intervals.fluid_age import time_clock_days
from tests.intervals import twin_due

DAY_0 = date(2026, 3, 2)
NAN = np.nan


def shown_date(as_of: date, days: float) -> date:
    """Return the date that is shown for days from a day."""
    return as_of + timedelta(days=int(shown_day(a(days))[0]))


def a(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


def no_time(lines: int = 1) -> TimeClock:
    return TimeClock(np.full(lines, NAN), np.full(lines, NAN), np.full(lines, NAN))


def meter(
    interval: float = 60_000,
    since: float = 0,
    allowed: float | None = None,
    stale: float = 0,
    rate: float = 150,
    sigma: float = 95,
) -> Clock:
    allowed = interval if allowed is None else allowed
    return Clock.steady(a(interval), a(since), a(allowed), a(stale), a(rate), a(sigma))


def line(
    distance: Clock | None = None, hours: Clock | None = None, time: TimeClock | None = None
) -> DueResult:
    absent = Clock.absent(1)
    return compute_due(DAY_0, distance or absent, hours or absent, time or no_time(), a(0.1), a(0.1))


def state(result: DueResult) -> str:
    return STATES[result.state[0]]


def calendar(job: date, months: int, as_of: date = DAY_0) -> TimeClock:
    days = time_clock_days(job, months)
    return TimeClock(a(days.interval_days), a((as_of - job).days), a(days.next_days))


@pytest.mark.parametrize(
    ("interval", "low", "high"),
    [(6_000.0, 5_400.0, 6_600.0), (250.0, 225.0, 275.0), (180.0, 162.0, 198.0)],
)
def test_window_is_the_ten_percent_variance_of_the_us_army_with_its_ends_inside(
    interval: float, low: float, high: float
) -> None:
    """US Army DA PAM 750-8 and AR 750-1 (PS Magazine, 18 Dec 2019): 10 % before and after, for miles, hours, days."""
    step = interval / 1e6
    runs = a(low - step, low, interval - step, interval, high, high + step)
    clock = Clock.steady(
        *(np.full(6, v) if np.isscalar(v) else v for v in (interval, runs, interval, 0.0, 1.0, 0.5))
    )
    got = compute_due(DAY_0, clock, Clock.absent(6), no_time(6), np.full(6, 0.1), np.full(6, 0.1))
    assert [STATES[code] for code in got.state] == [
        "not yet", "window open", "window open", "due", "due", "late",
    ]  # fmt: skip


def test_annual_service_of_360_days_has_36_days_either_side_of_15_may() -> None:
    """PS Magazine issue 569, p. 32: due 15 May 2000, 360 days; it prints 10 Apr to 20 Jun, the calendar says 9 Apr."""
    due = date(2000, 5, 15)
    got = compute_due(
        due, Clock.absent(1), Clock.absent(1), TimeClock(a(360), a(360), a(360)), a(0.1), a(0.1)
    )
    assert due + timedelta(days=int(first_day_at(got.opens_days)[0])) == date(2000, 4, 9)
    assert due + timedelta(days=int(first_day_after(got.late_days)[0]) - 1) == date(2000, 6, 20)


def test_reference_calculation_of_the_calendar_clock() -> None:
    """Reference calculation: 60 months from 18 Jan 2021."""
    got = line(time=calendar(date(2021, 1, 18), 60))
    days = [first_day_at(got.opens_days), first_day_at(got.due_days), first_day_after(got.late_days)]
    opens, due, late = (DAY_0 + timedelta(days=int(day[0])) for day in days)
    assert (opens, due, late) == (date(2025, 7, 20), date(2026, 1, 18), date(2026, 7, 20))
    assert state(got) == "due"


def test_states_by_day_agree_with_the_days_stored() -> None:
    """Whoever stores the three days and compares them with today must get what a new run would say."""
    job = date(2024, 1, 31)
    base = line(time=calendar(job, 25))
    opens, due = first_day_at(base.opens_days)[0], first_day_at(base.due_days)[0]
    late = first_day_after(base.late_days)[0]
    for ahead in range(-120, 200):
        today = DAY_0 + timedelta(days=ahead)
        got = compute_due(today, Clock.absent(1), Clock.absent(1), calendar(job, 25, today), a(0.1), a(0.1))
        stored = STATES[int(ahead >= opens) + int(ahead >= due) + int(ahead >= late)]
        assert STATES[got.state[0]] == stored, today


def test_first_clock_to_arrive_gives_the_date_and_the_highest_u_the_state() -> None:
    """Whichever comes first: GSA Fleet preventive maintenance page; US Army TM 9-2320-280-10 appendix."""
    got = line(
        meter(since=30_000, rate=300), meter(1_500, 1_200, rate=1, sigma=1), calendar(date(2025, 3, 2), 24)
    )
    assert CLOCKS[got.binding[0]] == "hours"
    assert CLOCKS[got.due_clock[0]] == "distance"
    assert got.due_days[0] == pytest.approx(100)
    assert got.u[0] == pytest.approx([0.5, 0.5, 0.8])


def test_reference_calculation_of_the_projected_date_and_its_range() -> None:
    """Reference calculation: 4 500 km left at 150 a day, scatter 95: 1 Apr (27 Mar to 6 Apr), booked by 29 Mar."""
    got = line(meter(since=55_500))
    assert shown_date(DAY_0, got.due_days[0]) == date(2026, 4, 1)
    assert shown_date(DAY_0, got.p10_days[0]) == date(2026, 3, 27)
    assert DAY_0 + timedelta(days=int(shown_high_day(got.p90_days)[0])) == date(2026, 4, 6)
    assert shown_date(DAY_0, got.p20_days[0]) == date(2026, 3, 29)


def test_stale_reading_moves_the_state_and_widens_the_range() -> None:
    """Reference calculation: 49 900 km 45 days ago at 140 a day, scatter 90: 56 200 now, sd 5.46 d, 29 Mar."""
    got = line(meter(since=49_900, stale=45, rate=140, sigma=90))
    assert got.used_now[0, DISTANCE] == pytest.approx(56_200)
    assert state(got) == "window open"
    assert shown_date(DAY_0, got.due_days[0]) == date(2026, 3, 29)
    fresh = line(meter(since=56_200, rate=140, sigma=90))
    spread = [(r.p90_days[0] - r.p10_days[0]) / 2.563 for r in (got, fresh)]
    assert spread == pytest.approx([5.46, 3.35], abs=0.03)


def test_chances_of_two_clocks_combine() -> None:
    """Reference calculation: 0.30 and 0.45 give 0.615."""
    day, none = 26.0, Clock.absent(1)

    def distance(since: float) -> Clock:
        return meter(since=since)

    def hours(since: float) -> Clock:
        return meter(1_500, since, rate=4, sigma=3)

    km = brentq(
        lambda since: probability_due_by(distance(since), none, no_time(), day)[0] - 0.30, 50_000, 59_000
    )
    h = brentq(lambda since: probability_due_by(none, hours(since), no_time(), day)[0] - 0.45, 1_300, 1_490)
    both = probability_due_by(distance(km), hours(h), no_time(), day)[0]
    assert both == pytest.approx(0.615, abs=1e-9)


def test_carried_age_keeps_a_unit_past_due_since_its_job() -> None:
    """Reference calculation: 65 414 km carried over, 5 100 run: 70 514 of 60 000, u 1.175."""
    got = line(meter(since=5_100, allowed=60_000 - 65_414, rate=110, sigma=70))
    assert got.used_now[0, DISTANCE] == pytest.approx(70_514)
    assert got.limit[0, DISTANCE] == 60_000
    assert got.u[0, DISTANCE] == pytest.approx(1.17523, abs=1e-5)
    assert state(got) == "late"
    assert got.due_days[0] == pytest.approx(-5_100 / 110)


def test_a_longer_signed_run_counts_towards_its_own_limit() -> None:
    got = line(meter(since=45_000, allowed=90_000))
    assert (got.used_now[0, DISTANCE], got.limit[0, DISTANCE]) == (45_000, 90_000)
    assert got.due_days[0] == pytest.approx(300)


def seasonal(since: float, stale: float, starts: list[float], rates: list[float], reference: float) -> Clock:
    return Clock(a(400), a(since), a(400), a(stale), a(reference), a(2.0), a(*starts)[None], a(*rates)[None])


def test_laid_up_machine_falls_due_after_its_season_opens() -> None:
    """Reference calculation: 18 h left, no use until 1 Apr, then 5.5 h a day: 4 Apr."""
    clock = seasonal(382, 100, [0, 30], [0, 5.5], 5.5)
    got = line(hours=clock)
    assert shown_date(DAY_0, got.due_days[0]) == date(2026, 4, 4)
    assert got.used_now[0, HOURS] == 382
    assert 30 < got.p10_days[0] < got.p90_days[0]
    assert probability_due_by(Clock.absent(1), clock, no_time(), 30.0)[0] == 0.0


def test_season_that_ends_before_the_limit_gives_no_date() -> None:
    got = line(hours=seasonal(300, 0, [0, 10], [5.0, 0.0], 5.0))
    assert np.isnan(got.due_days[0])
    assert got.due_clock[0] == -1
    assert state(got) == "not yet"


def test_earlier_segments_tell_how_the_stale_days_were_used() -> None:
    got = line(hours=seasonal(300, 20, [-30, -10], [0.0, 4.0], 4.0))
    assert got.used_now[0, HOURS] == pytest.approx(340)
    assert got.due_days[0] == pytest.approx(15)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"since_at_reading": a(NAN)}, "run since the last job unknown"),
        ({"next_run": a(NAN)}, "run to the next job unknown"),
        ({"since_at_reading": a(-5)}, "reading older than the last job"),
        ({"stale_days": a(NAN)}, "day of the last reading unknown"),
    ],
)
def test_missing_input_cannot_be_said_and_is_named(change: dict[str, np.ndarray], reason: str) -> None:
    got = line(replace(meter(since=1_000), **change))
    assert state(got) == "cannot say"
    assert REASONS[got.missing[0, DISTANCE]] == reason
    assert np.isnan(got.due_days[0])
    assert np.isnan(got.p50_days[0])
    assert got.binding[0] == -1


def test_missing_clock_yields_to_another_that_is_due_but_not_to_one_that_is_not() -> None:
    unknown = meter(since=NAN)
    assert state(line(unknown, time=calendar(date(2021, 1, 18), 60))) == "due"
    beside = line(unknown, time=calendar(date(2025, 1, 18), 60))
    assert state(beside) == "cannot say"
    assert shown_date(DAY_0, beside.due_days[0]) == date(2030, 1, 18)


def test_unknown_rate_still_says_the_state_of_a_fresh_reading_but_no_date() -> None:
    fresh = line(meter(since=55_500, rate=NAN))
    assert (state(fresh), REASONS[fresh.missing[0, DISTANCE]]) == ("window open", "usage rate unknown")
    assert np.isnan(fresh.due_days[0])
    assert state(line(meter(since=55_500, rate=NAN, stale=3))) == "cannot say"
    assert state(line(meter(since=61_000, rate=NAN, stale=3))) == "due"
    assert state(line(meter(since=55_500, rate=-2))) == "window open"


def test_standing_vehicle_is_dated_by_the_calendar_alone() -> None:
    got = line(meter(since=10_000, rate=0, sigma=0, stale=50), time=calendar(date(2022, 7, 4), 48))
    assert REASONS[got.missing[0, DISTANCE]] == "standing: no use expected"
    assert CLOCKS[got.due_clock[0]] == "time"
    assert got.p10_days[0] == got.due_days[0] == got.p90_days[0] == (date(2026, 7, 4) - DAY_0).days
    assert probability_due_by(meter(rate=0, sigma=0), Clock.absent(1), no_time(), 1e6)[0] == 0.0


def test_unknown_scatter_leaves_the_date_but_takes_the_range() -> None:
    got = line(meter(since=55_500, sigma=NAN))
    assert got.due_days[0] == pytest.approx(30)
    assert np.isnan(got.p10_days[0])
    assert REASONS[got.missing[0, DISTANCE]] == "scatter of use unknown"
    unknown, none = meter(since=55_500, sigma=NAN), Clock.absent(1)
    assert np.isnan(probability_due_by(unknown, none, no_time(), 5.0)[0])
    assert probability_due_by(unknown, none, calendar(date(2021, 1, 18), 60), 5.0)[0] == 1.0


def test_line_without_any_clock_cannot_be_said() -> None:
    got = line()
    assert state(got) == "cannot say"
    assert [REASONS[code] for code in got.missing[0]] == ["no such clock"] * 3
    assert got.clock_state[0].tolist() == [-1, -1, -1]


def test_rounding_in_the_last_digit_moves_no_state_and_no_date() -> None:
    interval, tenth = 1_826.0, 0.1
    got = line(meter(interval, since=interval * (1 - tenth), rate=1, sigma=1))
    nudged = line(meter(interval, since=interval * (1 - tenth) - 1e-10, rate=1, sigma=1))
    assert state(got) == state(nudged) == "window open"
    assert shown_date(DAY_0, 29.999_999_999) == DAY_0 + timedelta(days=30)
    assert shown_date(DAY_0, 9.999_999_999) == date(2026, 3, 12)
    assert shown_high_day(a(30.000_000_001, 29.1)).tolist() == [30.0, 30.0]
    assert np.isnan(shown_day(a(NAN))[0])
    assert np.isnan(shown_high_day(a(NAN))[0])


def test_shown_date_does_not_flutter() -> None:
    shown, new = a(100, 100, 100, NAN, 100), a(102, 97, 98, 100, NAN)
    assert is_steady(shown, new).tolist() == [True, False, True, False, False]


def test_neither_season_suffices_alone_but_both_together_do() -> None:
    """1 - (1 - p1)(1 - p2) can pass a chance that neither reaches before its season ends."""
    distance = replace(
        meter(since=58_900, sigma=150),
        segment_starts_days=a(0, 6)[None],
        segment_rates=a(150, 0)[None],
    )
    hours = seasonal(378, 0, [0, 6], [3.0, 0.0], 3.0)
    none = Clock.absent(1)
    alone = [probability_due_by(*clocks, no_time(), 99.0)[0] for clocks in ((distance, none), (none, hours))]
    both = 1 - (1 - alone[0]) * (1 - alone[1])
    assert max(alone) < 0.5 < both
    got = line(distance, hours)
    assert np.isnan(line(distance).p50_days[0])
    assert 0 < got.p50_days[0] <= 6
    assert probability_due_by(distance, hours, no_time(), got.p50_days)[0] == pytest.approx(0.5)


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(RuleError, match="different numbers of lines"):
        compute_due(DAY_0, meter(), Clock.absent(2), no_time(), a(0.1), a(0.1))
    with pytest.raises(RuleError, match="window"):
        compute_due(DAY_0, meter(), Clock.absent(1), no_time(), a(NAN), a(0.1))
    with pytest.raises(RuleError, match="do not match"):
        replace(meter(), next_run=a(1, 2))
    with pytest.raises(RuleError, match="Segment starts go back"):
        seasonal(0, 0, [10, 0], [1, 1], 1)


def _random_fleet(lines: int, seed: int) -> tuple[Clock, Clock, TimeClock, np.ndarray, np.ndarray]:
    source = np.random.default_rng(seed)

    def clock(interval: float, rate: float) -> Clock:
        reference = rate * source.uniform(0.3, 2, lines)
        starts = np.sort(source.uniform(-60, 200, (lines, 3)), axis=1)
        factors = source.choice([0.0, 0.5, 1.0, 1.7], (lines, 3))
        factors[:, 2] = np.where(source.random(lines) < 0.8, 1.0, 0.0)
        starts[source.random(lines) < 0.5, 1:] = NAN
        limit = interval * source.uniform(0.5, 1.5, lines)
        limit[source.random(lines) < 0.3] = NAN
        allowed = limit * source.uniform(-0.2, 1.0, lines)
        return Clock(
            limit,
            limit * source.uniform(0, 1.1, lines),
            allowed,
            source.uniform(0, 60, lines),
            reference,
            reference * source.choice([0.0, 0.4, 1.0, 3.0], lines),
            starts,
            reference[:, None] * factors,
        )

    days = source.integers(200, 1_800, lines).astype(float)
    days[source.random(lines) < 0.3] = NAN
    time = TimeClock(
        days, np.floor(days * source.uniform(0, 1.2, lines)), days * source.uniform(0.5, 1, lines)
    )
    return (
        clock(60_000, 150),
        clock(1_500, 5),
        time,
        source.uniform(0.05, 0.2, lines),
        source.uniform(0, 0.2, lines),
    )


def _one(clock: Clock, at: int) -> twin_due.Meter:
    stretches = zip(clock.segment_starts_days[at], clock.segment_rates[at], strict=True)
    return twin_due.Meter(
        *(float(getattr(clock, name)[at]) for name in list(Clock.__slots__)[:6]),
        tuple((float(start), float(rate)) for start, rate in stretches if not np.isnan(start)),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_arrays_agree_with_the_slow_twin(seed: int) -> None:
    lines = 120
    distance, hours, time, opens, closes = _random_fleet(lines, seed)
    got = compute_due(DAY_0, distance, hours, time, opens, closes)
    by_day = np.random.default_rng(seed).uniform(-20, 300, lines)
    chances = probability_due_by(distance, hours, time, by_day)
    for at in range(lines):
        clock = (float(time.interval_days[at]), float(time.since_days[at]), float(time.next_days[at]))
        meters = (_one(distance, at), _one(hours, at))
        want = twin_due.project(*meters, clock, opens[at], closes[at])
        assert got.u[at] == pytest.approx(want.u, rel=1e-9, nan_ok=True)
        has_clock = bool((got.clock_state[at] >= 0).any())
        assert STATES[got.state[at]] == (want.state if has_clock else "cannot say")
        days = [got.due_days[at], got.opens_days[at], got.late_days[at]]
        assert days == pytest.approx([want.due, want.opens, want.late], rel=1e-9, abs=1e-9, nan_ok=True)
        if has_clock:
            assert chances[at] == pytest.approx(twin_due.chance_by(list(meters), clock, by_day[at]), abs=1e-9)
        range_days = [values[at] for values in (got.p10_days, got.p20_days, got.p50_days, got.p90_days)]
        if has_clock:
            assert range_days == pytest.approx(want.quantiles, rel=1e-9, abs=1e-8, nan_ok=True), at


def test_time_column_is_the_second() -> None:
    assert (CLOCKS[DISTANCE], CLOCKS[TIME], CLOCKS[HOURS]) == ("distance", "time", "hours")
