"""Wear as driven, against the linear damage sum: sum(n_i / N_i) = 1 at the end of life.

M. A. Miner, Cumulative Damage in Fatigue, J. Appl. Mech. 12 (1945); cited from memory.
"""

import math
from datetime import date

import numpy as np
import pytest

from intervals.as_driven import Wear, clock_as_driven, wear_of
from intervals.clocks import Clock, TimeClock
from intervals.due import compute_due
from intervals.duty import FactorSpan, factors_on, severity_of, severity_steps
from intervals.errors import RuleError
from intervals.fluid_age import next_due

INTERVAL_KM = 60_000.0
NAN = math.nan


def column(*values):
    return np.array(values, dtype=float)


def due_of(wear, since_km, severity, *, stale_days=0.0, rate=100.0, age_km=0.0):
    interval = column(INTERVAL_KM / severity)
    clock = Clock.steady(
        interval, column(since_km), next_due(interval, column(age_km) * wear.age_factor), column(stale_days),
        column(rate), column(50.0),
    )  # fmt: skip
    time = TimeClock(column(NAN), column(NAN), column(NAN))
    tenth = column(0.10)
    return compute_due(date(2026, 3, 2), clock_as_driven(clock, wear), Clock.absent(1), time, tenth, tenth)


@pytest.mark.parametrize(
    ("severities", "runs"), [((1.0, 1.3), (30_000, 4_100)), ((1.495, 0.85, 2.0), (9_000, 20_000, 7_000))]
)
def test_the_used_share_is_the_damage_sum(severities, runs):
    ends = np.cumsum([0, *runs])
    wear = wear_of(
        column(NAN, *[-100.0 + 10 * at for at in range(1, len(runs))])[None, :], column(*severities)[None, :],
        ends[None, :-1].astype(float), column(ends[-1]), column(-400.0), column(NAN),
    )  # fmt: skip
    result = due_of(wear, float(ends[-1]), severities[-1])
    damage = sum(run / (INTERVAL_KM / severity) for run, severity in zip(runs, severities, strict=True))
    assert result.u[0, 0] == pytest.approx(damage, rel=1e-12)
    # What is left is driven at the newest severity, 100 km a day.
    assert result.due_days[0] == pytest.approx((1 - damage) * INTERVAL_KM / severities[-1] / 100, rel=1e-9)


def test_the_worked_split():
    """30 000 km at 1 and 4 100 km at 1.3 count as 30 000 + 5 330 of 60 000; today's interval alone would say 44 330."""
    wear = wear_of(
        column(NAN, -41.0)[None, :], column(1.0, 1.3)[None, :], column(0.0, 30_000.0)[None, :], column(34_100.0),
        column(-341.0), column(NAN),
    )  # fmt: skip
    result = due_of(wear, 34_100.0, 1.3)
    assert result.u[0, 0] * INTERVAL_KM == pytest.approx(35_330)
    assert result.u[0, 0] * INTERVAL_KM != pytest.approx(34_100 * 1.3)


def test_a_severity_that_has_held_since_the_job_leaves_the_figures_alone():
    """Reference case: 1.3 x 1.15 = 1.495 brings 60 000 km to 40 134, opens at 36 120, is late above 44 147."""
    wear = wear_of(
        column(NAN, -700.0)[None, :], column(1.0, 1.495)[None, :], column(0.0, 0.0)[None, :], column(39_200.0),
        column(-326.0), column(NAN),
    )  # fmt: skip
    assert (wear.extra_run[0], wear.age_factor[0], wear.job_factor[0]) == (0.0, 1.0, 1.0)
    result = due_of(wear, 39_200.0, 1.495)
    limit = result.limit[0, 0]
    assert (round(0.9 * limit - 0.5), round(limit), math.floor(1.1 * limit)) == (36_120, 40_134, 44_147)


def test_a_change_after_the_last_reading_counts_from_its_day():
    """45 days of 100 km since the reading, the last 15 of them harder: 3 000 at 1 and 1 500 at 2 are 6 000."""
    wear = wear_of(
        column(NAN, -15.0)[None, :], column(1.0, 2.0)[None, :], column(0.0, 10_000.0)[None, :], column(10_000.0),
        column(-200.0), column(NAN),
    )  # fmt: skip
    result = due_of(wear, 10_000.0, 2.0, stale_days=45.0)
    assert result.u[0, 0] * INTERVAL_KM == pytest.approx(10_000 + 6_000)
    softer = wear_of(
        column(NAN, -15.0)[None, :], column(2.0, 1.0)[None, :], column(0.0, 0.0)[None, :], column(0.0),
        column(-45.0), column(NAN),
    )  # fmt: skip
    assert due_of(softer, 0.0, 1.0, stale_days=45.0).u[0, 0] * INTERVAL_KM == pytest.approx(7_500)


def test_the_age_carried_over_keeps_the_severity_it_was_run_with():
    """A' of 20 000 km run at 1.5 uses 30 000 of the interval, whatever the severity is today."""
    wear = wear_of(
        column(NAN, -50.0)[None, :], column(1.5, 1.0)[None, :], column(0.0, 0.0)[None, :], column(0.0),
        column(-60.0), column(NAN),
    )  # fmt: skip
    assert due_of(wear, 0.0, 1.0, age_km=20_000.0).u[0, 0] * INTERVAL_KM == pytest.approx(30_000)
    told = wear_of(
        column(NAN, -50.0)[None, :], column(1.5, 1.0)[None, :], column(0.0, 0.0)[None, :], column(0.0),
        column(-60.0), column(2.0),
    )  # fmt: skip
    assert due_of(told, 0.0, 1.0, age_km=20_000.0).u[0, 0] * INTERVAL_KM == pytest.approx(40_000)


def test_lines_without_a_change_come_back_untouched():
    clock = Clock.steady(
        column(60_000.0), column(57_000.0), column(60_000.0), column(3.0), column(150.0), column(95.0)
    )
    same = clock_as_driven(clock, Wear.even(1))
    for name in Clock.__slots__:
        assert np.array_equal(getattr(same, name), getattr(clock, name))


def test_a_severity_of_zero_is_refused():
    with pytest.raises(RuleError):
        wear_of(
            column(NAN)[None, :],
            column(0.0)[None, :],
            column(0.0)[None, :],
            column(1.0),
            column(0.0),
            column(NAN),
        )


SPANS = (
    FactorSpan("towing", 1.3, date(2024, 1, 1)),
    FactorSpan("hills", 1.15, date(2024, 6, 1), date(2025, 6, 1)),
    FactorSpan("towing", 1.5, date(2025, 1, 1)),
    FactorSpan("fluid temperature", 1.2626, date(2026, 1, 1), date(2026, 3, 1), is_measured=True),
)


@pytest.mark.parametrize(
    ("day", "severity"),
    [("2023-12-31", 1.0), ("2024-01-01", 1.3), ("2024-06-01", 1.495), ("2025-01-01", 1.725), ("2025-06-01", 1.5),
     ("2026-01-01", 1.2626), ("2026-03-01", 1.5)],
)  # fmt: skip
def test_the_newest_of_each_reason_counts_until_it_ends_and_a_measured_one_alone(day, severity):
    day = date.fromisoformat(day)
    assert severity_of(factors_on(SPANS, day)) == pytest.approx(severity)
    assert severity_steps(SPANS, day)[-1].value == pytest.approx(severity)


def test_a_later_row_of_a_reason_that_has_ended_does_not_bring_the_earlier_back():
    spans = (
        FactorSpan("towing", 1.3, date(2024, 1, 1)),
        FactorSpan("towing", 1.5, date(2025, 1, 1), date(2025, 2, 1)),
    )
    assert severity_of(factors_on(spans, date(2025, 3, 1))) == 1.0
    assert [step.value for step in severity_steps(spans, date(2025, 3, 1))] == [1.0, 1.3, 1.5, 1.0]
