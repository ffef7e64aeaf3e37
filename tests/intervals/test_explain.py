"""The sentence behind a date."""

from dataclasses import replace
from datetime import date

from intervals.explain import DueFact, explain_due

FACT = DueFact(
    as_of=date(2026, 3, 2),
    clock="distance",
    unit="km",
    used=57_000,
    limit=60_000,
    since=date(2025, 2, 17),
    per_day=150,
    due_on=date(2026, 3, 22),
    low=date(2026, 3, 18),
    high=date(2026, 3, 26),
)


def test_one_sentence_holds_the_whole_reckoning() -> None:
    assert explain_due(FACT) == "57 000 of 60 000 km since 17 Feb 2025; 150 km/day → 22 Mar (18–26)"


def test_range_over_two_months_and_into_another_year() -> None:
    across = replace(FACT, due_on=date(2026, 4, 1), low=date(2026, 3, 27), high=date(2026, 4, 6))
    assert explain_due(across).endswith("→ 1 Apr (27 Mar – 6 Apr)")
    far = replace(FACT, due_on=date(2027, 4, 29), low=date(2027, 4, 2), high=date(2027, 5, 20))
    assert explain_due(far).endswith("→ 29 Apr 2027 (2 Apr 2027 – 20 May 2027)")


def test_stale_reading_season_and_hours() -> None:
    stale = explain_due(replace(FACT, stale_days=45))
    assert stale.endswith("; reading 45 days old")
    assert "old" not in explain_due(replace(FACT, stale_days=1))
    hours = replace(
        FACT, clock="hours", unit="h", used=382.0, limit=400.0, per_day=5.5, season_note="no use before 1 Apr"
    )
    assert explain_due(hours).startswith("382.0 of 400.0 h since 17 Feb 2025; 5.5 h/day → ")
    assert explain_due(hours).endswith("; no use before 1 Apr")
    assert "standing, no use expected" in explain_due(replace(FACT, per_day=0.0, due_on=None))


def test_past_due_with_carried_age_says_one_change_was_not_enough() -> None:
    fact = replace(
        FACT, used=70_514, since=date(2026, 1, 14), carried=65_414, next_run=-5_414, due_on=date(2026, 1, 14)
    )
    assert explain_due(fact) == (
        "70 514 of 60 000 km since 14 Jan 2026; past due by 10 514 km, since 14 Jan; "
        "65 414 km of it carried over by the fluid left in; one change was not enough"
    )


def test_calendar_clock_shows_no_rate() -> None:
    fact = DueFact(
        as_of=date(2026, 3, 2), clock="time", unit="days", used=1_085, limit=1_096,
        since=date(2023, 3, 13), due_on=date(2026, 3, 13), low=date(2026, 3, 13), high=date(2026, 3, 13),
    )  # fmt: skip
    assert explain_due(fact) == "1 085 of 1 096 days since 13 Mar 2023; due 13 Mar"


def test_missing_inputs_are_named() -> None:
    fact = DueFact(as_of=date(2026, 3, 2), clock="hours", unit="h", missing=("no fluid history",))
    assert explain_due(fact) == "cannot say: no fluid history"
    assert explain_due(replace(FACT, used=float("nan"), per_day=float("nan"))) == "due 22 Mar (18–26)"
