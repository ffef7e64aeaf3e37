"""Interval rules in versions, and months on the calendar."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import RuleError
from intervals.rules import Rule, add_months, check_versions, rule_on

BASE = Rule(date(2020, 1, 1), interval_km=60_000, interval_months=48)


@given(st.dates(date(1990, 1, 1), date(2090, 12, 31)), st.integers(-240, 240))
def test_months_agree_with_dateutil(day: date, months: int) -> None:
    """python-dateutil's relativedelta clips the month end the same way."""
    assert add_months(day, months) == day + relativedelta(months=months)


def test_severity_divides_distance_and_hours_but_not_the_calendar() -> None:
    """Reference calculation: 1.495 brings 60 000 km to 40 134; 2.0 brings 3 000 h to 1 500."""
    rule = replace(BASE, interval_h=3_000, severity=1.495)
    assert rule.effective_km == pytest.approx(40_134, abs=0.5)
    assert replace(rule, severity=2.0).effective_h == 1_500
    assert rule.interval_months == 48
    assert replace(BASE, interval_km=None).effective_km is None
    assert BASE.effective_h is None


def test_the_version_that_has_begun_last_holds() -> None:
    later = replace(BASE, applies_from=date(2026, 4, 1), interval_km=50_000)
    versions = [later, BASE]
    assert rule_on(versions, date(2026, 3, 31)) is BASE
    assert rule_on(versions, date(2026, 4, 1)) is later
    assert rule_on(versions, BASE.applies_from - timedelta(days=1)) is None
    assert rule_on([], date(2026, 3, 31)) is None


def test_two_versions_on_one_day_are_refused() -> None:
    with pytest.raises(RuleError, match="2020-01-01"):
        check_versions([BASE, replace(BASE, interval_km=1)])
    with pytest.raises(RuleError, match="one a day"):
        rule_on([BASE, BASE], date(2026, 1, 1))


@pytest.mark.parametrize(
    "change",
    [
        {"interval_km": None, "interval_months": None},
        {"interval_km": 0},
        {"interval_km": float("nan")},
        {"interval_months": 1.5},
        {"severity": 0},
        {"f_ref": 0},
        {"f_ref": 1.01},
        {"cap_share": 0},
        {"policy": "no credit"},
        {"opens_share": 1.0},
        {"closes_share": -0.1},
    ],
)
def test_unusable_rules_are_refused(change: dict[str, object]) -> None:
    with pytest.raises(RuleError):
        replace(BASE, **change)


def test_what_goes_beyond_the_maker_is_marked() -> None:
    assert not BASE.is_beyond_maker
    assert replace(BASE, severity=0.85).is_beyond_maker
    assert replace(BASE, cap_share=1.5).is_beyond_maker
