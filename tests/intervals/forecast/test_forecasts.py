"""The forecast: no looking ahead, outcomes by hand, better than naive ways, ranges that hold."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intervals.errors import ReadingError
from intervals.forecast import backtest, clean_histories, forecast_moves
from intervals.forecast.forecasts import outcomes_of
from tests.intervals.forecast.fleets import KINDS, fleet, histories

DAY = 738_000


def steady(months=40, per_day=100.0, step=30):
    days = [DAY + step * place for place in range(months)]
    return clean_histories(["K01"] * months, [""] * months, days, [per_day * (day - DAY) for day in days])


def test_outcomes_are_read_off_the_straight_line_between_readings():
    """By hand: 100, 400 and 1 000 on days 0, 30 and 60; 450 more is reached 150/600 into the second month."""
    found = clean_histories(["A"] * 3, [""] * 3, [DAY, DAY + 30, DAY + 60], [100, 400, 1000])
    days, known_on = outcomes_of(found, 450.0)
    assert days[0] == pytest.approx(30 + 30 * 150 / 600)
    assert known_on[0] == DAY + 60
    assert days[1] == pytest.approx(30 * 450 / 600)
    assert np.isnan(days[2])


def test_a_steady_meter_is_forecast_to_the_day():
    """By hand: at 100 a day, 6 000 more take 60 days, whatever is learned."""
    found = forecast_moves(steady(), 6000.0)
    said = np.isfinite(found.days)
    assert said.sum() == 39
    assert found.days[said] == pytest.approx(60.0, abs=1e-6)


def test_a_standing_meter_is_forecast_no_further_than_ten_years():
    found = forecast_moves(steady(per_day=0.0), 6000.0)
    said = np.isfinite(found.days)
    assert (found.days[said] == 3650.0).all()


@pytest.mark.parametrize("lead", [0.0, -1.0, float("nan"), float("inf")])
def test_a_lead_that_is_none_is_refused(lead):
    with pytest.raises(ReadingError, match="above zero"):
        forecast_moves(steady(), lead)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 5), st.integers(400, 2200), st.integers(0, 99))
def test_the_future_changes_no_forecast(seed, after, other_seed):
    """Whatever is read later, what was forecast before stays as it was."""
    vehicles, groups, days, totals = fleet(seed, groups=1)
    today = min(days) + after
    past = [place for place, day in enumerate(days) if day <= today]
    short = clean_histories(
        *([column[place] for place in past] for column in (vehicles, groups, days, totals))
    )
    rng = np.random.default_rng(other_seed)
    changed = list(totals)
    extra: dict[str, float] = {}
    for place, vehicle in enumerate(vehicles):
        if days[place] > today:
            extra[vehicle] = extra.get(vehicle, 0.0) + rng.uniform(0, 5000)
            changed[place] += extra[vehicle]
    full = clean_histories(vehicles, groups, days, changed)
    known = forecast_moves(full, 8000.0)
    before = forecast_moves(short, 8000.0)
    same = full.day <= today
    for name in ("days", "low_days", "high_days"):
        np.testing.assert_allclose(getattr(known, name)[same], getattr(before, name), rtol=1e-9)


def naive(found, lead, rate_of):
    """Slow twin of the rivals and of which readings count: one reading after another, straight from the definition."""
    off = []
    for meter in range(found.meters):
        rows = np.flatnonzero(found.meter == meter)
        day, total = found.day[rows], found.total[rows]
        for at in range(1, rows.size):
            if day[at] - 365.0 < day[0]:
                continue
            beyond = [later for later in range(at, rows.size) if total[later] >= total[at] + lead]
            if not beyond:
                continue
            later = beyond[0]
            way = (total[at] + lead - total[later - 1]) / (total[later] - total[later - 1])
            came = day[later - 1] + way * (day[later] - day[later - 1]) - day[at]
            rate = rate_of(day[: at + 1], total[: at + 1])
            off.append(min(lead / rate if rate > 0 else 3650.0, 3650.0) - came)
    return np.array(off)


def test_rivals_and_counted_readings_are_those_of_a_slow_twin():
    found = histories(3, groups=2)
    tested = backtest(found, 9000.0)
    ways = {
        "last_two_readings": lambda day, total: (total[-1] - total[-2]) / (day[-1] - day[-2]),
        "mean_12_months": lambda day, total: (total[-1] - np.interp(day[-1] - 365.0, day, total)) / 365.0,
    }
    for name, rate_of in ways.items():
        off = naive(found, 9000.0, rate_of)
        score = tested.rivals[name]
        assert tested.n == off.size
        assert (score.mae_days, score.median_ae_days, score.bias_days) == pytest.approx(
            (np.abs(off).mean(), np.median(np.abs(off)), off.mean())
        )


# Simulated fleets, their truth known; the ratios are well below those of a plain exponentially weighted rate, which
# gains about an eighth to a quarter on drifting fleets and a tenth on noisy ones, and hardly anything where seasons
# rule: the mean of a whole year is blind to them and hard to beat by recent use alone, the more so months ahead.
@pytest.mark.parametrize(
    ("kind", "most"),
    [("routes that drift", 0.82), ("noisy months", 0.93), ("strong seasons", 0.93), ("often laid up", 0.95)],
)
@pytest.mark.parametrize("months", [2.0, 3.5, 8.0])
def test_it_beats_the_mean_of_twelve_months_and_its_ranges_hold(kind, most, months):
    scores = []
    for seed in (1, 2):
        found = histories(seed, **KINDS[kind])
        monthly = np.median(np.diff(found.total)[np.diff(found.meter) == 0])
        scores.append(backtest(found, months * monthly))
    ours = np.mean([score.score.mae_days for score in scores])
    theirs = np.mean([score.rivals["mean_12_months"].mae_days for score in scores])
    assert ours / theirs < most
    assert 0.77 <= np.mean([score.coverage_80 for score in scores]) <= 0.83


def test_a_history_too_short_says_so():
    with pytest.raises(ReadingError, match="twelve months behind it"):
        backtest(steady(months=8), 6000.0)
