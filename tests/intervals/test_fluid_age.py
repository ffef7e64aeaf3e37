"""Fluid age and the next interval: reference calculations, and the powers of dilution."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import RuleError
from intervals.fluid_age import (
    Parcel,
    age_after_exchange,
    age_before_service,
    age_parcels,
    exchange_parcels,
    mean_age,
    next_due,
    oldest_age,
    start_share_after_swap,
    steady_ages,
    time_clock_days,
    time_clock_days_array,
)

I_KM = 60_000.0
DRAIN = 3.6 / 11.2
OVERNIGHT = 6.1 / 11.2
# Reference calculation: assumed freshness, age before, fresh share, age after, next at cap 1.
CASES = [
    (1, 57_000, 0.773, 12_939, 47_061),
    (1, 57_000, DRAIN, 38_679, 21_321),
    (1, 96_400, DRAIN, 65_414, -5_414),
    (0.9, 57_000, 0.773, 12_939, 53_728),
    (0.65, 96_400, DRAIN, 65_414, 26_893),
    (OVERNIGHT, 96_400, DRAIN, 65_414, 44_750),
    (DRAIN, 57_000, 0.773, 12_939, 60_000),
    (DRAIN, 186_667, DRAIN, 126_667, 60_000),
    (DRAIN, 230_000, DRAIN, 156_071, 30_595),
]


@pytest.mark.parametrize(("f_ref", "before", "share", "after", "due"), CASES)
def test_reference_calculation_of_age_and_next(
    f_ref: float, before: float, share: float, after: float, due: float
) -> None:
    age = age_after_exchange(share, before)
    assert age == pytest.approx(after, abs=1)
    assert next_due(I_KM, age, f_ref) == pytest.approx(due, abs=2)


def test_arrays_give_the_same_as_one_at_a_time() -> None:
    f_ref, before, share, _, _ = (np.array(column, dtype=float) for column in zip(*CASES, strict=True))
    ages = age_after_exchange(share, before)
    got = next_due(np.full(len(CASES), I_KM), ages, f_ref)
    assert got.tolist() == [next_due(I_KM, float(age), float(f)) for age, f in zip(ages, f_ref, strict=True)]


def test_reference_calculation_of_a_signed_cap() -> None:
    """Reference calculation: 173 728 by age, 60 000 at cap 1, 90 000 at cap 1.5."""
    age = age_after_exchange(0.773, 57_000)
    assert next_due(I_KM, age, DRAIN, cap=3.0) == pytest.approx(173_728, abs=1)
    assert next_due(I_KM, age, DRAIN, cap=1.5) == 90_000


def test_policies_side_by_side() -> None:
    """Reference calculation: closed at 57 150 with 0.773: next in 47 027 km, 60 000 with full credit."""
    age = age_after_exchange(0.773, 57_150)
    assert age == pytest.approx(12_973, abs=0.5)
    assert next_due(I_KM, age) == pytest.approx(47_027, abs=0.5)
    assert next_due(I_KM, age, policy="full credit") == I_KM
    assert next_due(I_KM, age, policy="by sample", sample_remaining=25_000) == 25_000
    assert next_due(I_KM, age, policy="by sample", sample_remaining=250_000) == I_KM
    mixed = next_due(
        np.full(3, I_KM),
        np.full(3, age),
        policy=["full credit", "age credit", "by sample"],
        sample_remaining=np.array([np.nan, np.nan, 25_000]),
    )
    assert mixed == pytest.approx([60_000, 47_027, 25_000], abs=0.5)


def test_what_is_unknown_stays_unknown() -> None:
    assert np.isnan(next_due(I_KM, np.nan))
    assert np.isnan(next_due(np.nan, 0.0))
    assert np.isnan(next_due(I_KM, 0.0, policy="by sample"))
    assert next_due(I_KM, np.nan, policy="full credit") == I_KM


def test_reference_calculation_of_draining_for_ever() -> None:
    """Reference calculation: every 40 000 km: 40 000, 67 143, 85 561, 98 059, 106 540 … 124 444 (after 84 444)."""
    ages = [age_before_service(40_000, DRAIN, n) for n in range(1, 6)]
    assert ages == pytest.approx([40_000, 67_143, 85_561, 98_059, 106_540], abs=1)
    steady = steady_ages(40_000, DRAIN)
    assert (steady.before, steady.after) == (pytest.approx(124_444, abs=1), pytest.approx(84_444, abs=1))
    assert age_before_service(40_000, DRAIN, 200) == pytest.approx(steady.before, rel=1e-12)
    assert steady.mean == pytest.approx((steady.before + steady.after) / 2)


def test_steady_interval_with_its_own_freshness_is_the_interval() -> None:
    for share in (0.2, DRAIN, 0.773, 1.0):
        assert next_due(I_KM, steady_ages(I_KM, share).after, share) == pytest.approx(I_KM)


def test_old_fluid_left_follows_the_powers_of_dilution() -> None:
    """Mass balance of n well-mixed drains: (1 - 4/9)^n = 0.555556, 0.308642, 0.171468, 0.095260."""
    parcels = (Parcel(1.0, 1_000.0),)
    left = []
    for _ in range(4):
        parcels = exchange_parcels(parcels, 4.0 / 9.0)
        left.append(next(part.share for part in parcels if part.age == 1_000.0))
    assert left == pytest.approx([0.555556, 0.308642, 0.171468, 0.095260], abs=5e-7)


@given(st.lists(st.tuples(st.floats(0, 0.999), st.floats(0, 1e5)), min_size=1, max_size=12))
def test_parcels_and_the_mean_tell_the_same_age(history: list[tuple[float, float]]) -> None:
    parcels: tuple[Parcel, ...] = (Parcel(1.0, 0.0),)
    age = 0.0
    for share, run in history:
        parcels = age_parcels(exchange_parcels(parcels, share), run)
        age = age_after_exchange(share, age) + run
        assert mean_age(parcels) == pytest.approx(age, rel=1e-9, abs=1e-9)
        assert oldest_age(parcels) >= mean_age(parcels) - 1e-6
    assert sum(part.share for part in parcels) == pytest.approx(1.0, abs=1e-9)


def test_full_change_leaves_one_fresh_parcel() -> None:
    assert exchange_parcels((Parcel(0.4, 9.0), Parcel(0.6, 5.0)), 1.0) == (Parcel(1.0, 0.0),)


def test_reference_calculation_of_a_swap_with_the_old_cooler() -> None:
    """Reference calculation: 0.9 L kept of 11.2 L start at 0.920."""
    assert start_share_after_swap(11.2, 0.9) == pytest.approx(0.920, abs=0.0005)


def test_calendar_clock_one_by_one_and_as_arrays() -> None:
    jobs = [date(2021, 1, 18), date(2024, 2, 29), date(2023, 8, 31), date(2025, 1, 31)]
    months, carried = [60.0, 12.0, 6.0, 25.0], [0.0, 100.0, 0.0, 400.0]
    interval, allowed = time_clock_days_array(
        np.array(jobs, dtype="datetime64[D]"), np.array(months), np.array(carried), 0.8
    )
    for at, job in enumerate(jobs):
        one = time_clock_days(job, int(months[at]), carried[at], 0.8)
        assert (interval[at], allowed[at]) == (one.interval_days, pytest.approx(one.next_days))
    assert interval.tolist() == [1826, 365, 182, 758]


def test_calendar_clock_without_job_or_rule_is_unknown() -> None:
    days = np.array(["NaT", "2025-01-31"], dtype="datetime64[D]")
    interval, allowed = time_clock_days_array(days, np.array([12.0, np.nan]), np.zeros(2))
    assert np.isnan(interval).all()
    assert np.isnan(allowed).all()


def test_unusable_figures_are_refused() -> None:
    attempts = (
        lambda: age_after_exchange(1.2, 10.0),
        lambda: next_due(I_KM, 0.0, f_ref=0.0),
        lambda: next_due(I_KM, 0.0, cap=0.0),
        lambda: next_due(I_KM, 0.0, policy="half credit"),
        lambda: steady_ages(I_KM, 0.0),
        lambda: mean_age((Parcel(0.5, 1.0),)),
        lambda: start_share_after_swap(11.2, 12.0),
        lambda: time_clock_days_array(np.array(["2025-01-31"], dtype="M8[D]"), np.array([1.5]), np.zeros(1)),
    )
    for attempt in attempts:
        with pytest.raises(RuleError, match="Allowed"):
            attempt()
