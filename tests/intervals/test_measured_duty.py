"""Severity from temperature hours: the reference sum, the cover of the sensor, the step of a month."""

from datetime import date

import pytest

from intervals.measured_duty import (
    END,
    NOTHING,
    USE,
    MonthHours,
    evidence_ran_out,
    measured_duty,
    propose_severity,
)

JAN, FEB, MAR = date(2026, 1, 1), date(2026, 2, 1), date(2026, 3, 1)
# Shares of hours of the reference calculation, which gives 1.2626.
HOURS = {74.0: 50.0, 86.0: 28.0, 96.0: 13.0, 106.0: 6.0, 114.0: 3.0}


def test_reference_calculation_from_two_months():
    measured = measured_duty([MonthHours(FEB, HOURS, 20.0), MonthHours(JAN, HOURS, 30.0)])
    assert measured.severity == pytest.approx(1.2626, abs=5e-5)
    assert measured.sensor_share == pytest.approx(200 / 250)
    assert (measured.months, measured.seen_h) == ((JAN, FEB), 200.0)


def test_a_step_is_at_most_15_per_cent_a_month_until_it_is_there():
    measured = measured_duty([MonthHours(JAN, HOURS, 0.0), MonthHours(FEB, HOURS, 0.0)])
    first = propose_severity(measured, 1.0, None)
    assert (first.action, first.value, first.applies_from) == (USE, pytest.approx(1.15), MAR)
    after = propose_severity(measured, 1.15, MAR)
    assert after.action == NOTHING
    april = measured_duty([MonthHours(FEB, HOURS, 0.0), MonthHours(MAR, HOURS, 0.0)])
    second = propose_severity(april, 1.15, MAR)
    assert (second.action, second.value) == (USE, pytest.approx(1.2626, abs=5e-5))
    assert "at most 15 %" in first.sentence
    assert "15 %" not in second.sentence


@pytest.mark.parametrize(
    ("months", "words"),
    [
        ([], "No temperature hours"),
        ([MonthHours(FEB, HOURS, 0.0)], "two in a row"),
        ([MonthHours(date(2025, 12, 1), HOURS, 0.0), MonthHours(FEB, HOURS, 0.0)], "two in a row"),
        ([MonthHours(JAN, HOURS, None), MonthHours(FEB, HOURS, 0.0)], "Cannot say"),
        ([MonthHours(JAN, HOURS, 70.0), MonthHours(FEB, HOURS, 70.0)], "59% of the hours, 60 % are needed"),
    ],
)
def test_too_little_evidence_proposes_nothing(months, words):
    found = propose_severity(measured_duty(months), 1.0, None)
    assert found.action == NOTHING
    assert words in found.sentence


def test_a_sensor_that_sees_too_little_gives_way_to_the_duty_factors():
    measured = measured_duty([MonthHours(JAN, HOURS, 100.0), MonthHours(FEB, HOURS, 100.0)])
    found = propose_severity(measured, 1.2, date(2025, 12, 1))
    assert (found.action, found.applies_from) == (END, MAR)


def test_sixty_per_cent_is_enough():
    measured = measured_duty([MonthHours(JAN, {80.0: 60.0}, 40.0), MonthHours(FEB, {80.0: 60.0}, 40.0)])
    assert measured.is_covered


@pytest.mark.parametrize(
    ("newest", "today", "is_out"),
    [
        (None, MAR, True),
        (FEB, MAR, False),
        # On 31 March the last whole months are January and February.
        (JAN, date(2026, 3, 31), False),
        (JAN, date(2026, 4, 1), True),
        (date(2025, 12, 1), date(2026, 2, 28), False),
        (date(2025, 12, 1), MAR, True),
    ],
)
def test_evidence_runs_out_once_two_whole_months_lack(newest, today, is_out):
    assert evidence_ran_out(newest, today) is is_out
