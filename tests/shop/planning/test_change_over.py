"""The old fluid used up: no litre twice, none past its day, no unit filled with two fluids; jobs in a row."""

import random
from datetime import date, timedelta
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.planning.change_over import FillWithin, Lot, NextFill, in_a_row, use_up

DAY = date(2026, 3, 2)


def after(days: int) -> date:
    return DAY + timedelta(days=days)


def test_a_job_takes_the_old_fluid_only_as_a_whole():
    found = use_up(
        [Lot("can", 15)],
        [NextFill("first", after(1), 10), NextFill("second", after(5), 10), NextFill("small", after(9), 4)],
    )
    assert [own.is_old for own in found.fills] == [True, False, True]
    assert [(own.label, own.litres) for own in found.left] == [("can", 1)]
    assert (found.last_old_on, found.first_new_on) == (after(9), after(5))


def test_the_soonest_last_day_goes_first_and_none_is_poured_after_it():
    lots = [Lot("sealed", 20, after(400)), Lot("opened", 10, after(30)), Lot("undated", 20)]
    fills = [NextFill("first", after(10), 8), NextFill("second", after(40), 5)]
    found = use_up(lots, fills)
    assert [own.lots for own in found.fills] == [("opened",), ("sealed",)]
    assert [(own.label, own.litres) for own in found.left] == [("opened", 2), ("sealed", 15), ("undated", 20)]
    assert found.left_l == 37


def test_nothing_on_the_shelf_and_no_job():
    assert use_up([], [NextFill("first", DAY, 3)]).first_new_on == DAY
    empty = use_up([Lot("can", 5)], [])
    assert (empty.left_l, empty.last_old_on, empty.first_new_on) == (5, None, None)


@pytest.mark.parametrize("seed", range(100))
def test_litres_balance(seed):
    chance = random.Random(seed)
    lots = [
        Lot(f"L{number}", chance.uniform(0, 60), chance.choice([None, after(chance.randint(0, 300))]))
        for number in range(chance.randint(0, 5))
    ]
    fills = [
        NextFill(f"J{number}", after(chance.randint(0, 365)), chance.uniform(0.5, 30))
        for number in range(chance.randint(0, 12))
    ]
    found = use_up(lots, fills)
    used = sum(own.fill.litres for own in found.fills if own.is_old)
    assert used + found.left_l == pytest.approx(sum(lot.litres for lot in lots), abs=1e-6)
    assert len(found.fills) == len(fills)
    last = {lot.label: lot.last_day for lot in lots}
    for own in found.fills:
        assert bool(own.lots) == own.is_old
        assert all(last[label] is None or last[label] >= own.fill.day for label in own.lots)


def within(label: str, earliest: int, planned: int) -> FillWithin:
    return FillWithin(label, DAY + timedelta(days=earliest), DAY + timedelta(days=planned))


def test_jobs_in_a_row_by_hand() -> None:
    """b can wait till day 4, when a and c may be done as well; d opens a day too late for that row."""
    rows = in_a_row([within("a", 0, 9), within("b", 2, 4), within("c", 4, 6), within("d", 5, 8)])
    assert {(last - DAY).days: [job.label for job in own] for last, own in rows.items()} == {
        4: ["b", "c", "a"], 8: ["d"],
    }  # fmt: skip


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 4)), max_size=7))
def test_no_choice_of_days_needs_fewer_rows(spans: list[tuple[int, int]]) -> None:
    """Against every set of days that serves every job."""
    jobs = [within(f"{place}", first, first + length) for place, (first, length) in enumerate(spans)]
    rows = in_a_row(jobs)
    assert sorted(job.label for own in rows.values() for job in own) == sorted(job.label for job in jobs)
    assert all(job.earliest <= last_day <= job.planned for last_day, own in rows.items() for job in own)
    days = [DAY + timedelta(days=step) for step in range(14)]
    fewest = next(
        count
        for count in range(len(jobs) + 1)
        if any(
            all(any(job.earliest <= day <= job.planned for day in chosen) for job in jobs)
            for chosen in combinations(days, count)
        )
    )
    assert len(rows) == fewest


def test_a_job_planned_before_its_first_day_is_refused() -> None:
    with pytest.raises(ValueError, match="planned before the first day allowed"):
        within("a", 3, 2)
