"""How fast a container fills and where its level will stand."""

import statistics
from datetime import date, timedelta

import pytest

from shop.planning.waste_level import PourDue, filling_rate, level_ahead, level_by_jobs

MONDAY = date(2026, 3, 2)


def pours(days: int, litres: float = 42.0, every: int = 1) -> list[tuple[date, float]]:
    return [(MONDAY - timedelta(days=back), litres) for back in range(every, days + 1, every)]


def test_the_rate_is_mean_and_sample_spread_of_all_days_with_the_empty_ones():
    # Against the standard library's statistics on the same days written out.
    seen = [*pours(70, 30.0, every=2), *pours(70, 12.0, every=5)]
    written_out = [
        sum(own for day, own in seen if day == MONDAY - timedelta(days=back)) for back in range(1, 71)
    ]
    rate = filling_rate(seen, MONDAY, 42, 24)
    assert (rate.is_learned, rate.days, rate.pours) == (True, 70, 49)
    assert rate.mean_per_day_l == pytest.approx(statistics.mean(written_out))
    assert rate.sd_per_day_l == pytest.approx(statistics.stdev(written_out))
    assert "learned from 49 pours in 70 days" in rate.sentence


@pytest.mark.parametrize("seen", [[], pours(19), pours(55), pours(98, every=7)])
def test_too_few_pours_or_days_leave_the_typed_figures_and_say_so(seen):
    rate = filling_rate(seen, MONDAY, 42, 24)
    assert (rate.mean_per_day_l, rate.sd_per_day_l, rate.is_learned) == (42, 24, False)
    assert "as typed" in rate.sentence


def test_today_and_what_is_older_than_half_a_year_do_not_count():
    seen = pours(60, 10.0)
    old = [(MONDAY - timedelta(days=400), 5000.0), (MONDAY, 5000.0)]
    assert filling_rate(seen + old, MONDAY, 1, 1) == filling_rate(seen, MONDAY, 1, 1)


def test_the_level_rises_by_the_rate_and_its_range_by_the_root_of_the_days():
    # Sum of independent days: mean n*mu, sd sigma*sqrt(n); z 1.645 (normal table, 95 % one-sided).
    rate = filling_rate([], MONDAY, 42, 24)
    weeks = level_ahead(300, rate, MONDAY)
    assert [own.day for own in weeks[:2]] == [MONDAY, date(2026, 3, 9)]
    assert weeks[4].mean_l == pytest.approx(300 + 28 * 42)
    assert weeks[4].high_l - weeks[4].mean_l == pytest.approx(1.645 * 24 * 28**0.5)
    assert weeks[0].low_l == weeks[0].high_l == 300


def test_jobs_due_bring_their_litres_by_chance_and_never_more_than_all():
    # Bernoulli sums: mean Σpv, variance Σp(1-p)v².
    jobs = [PourDue(date(2026, 3, 5), 10.0, 0.9), PourDue(date(2026, 3, 12), 20.0, 0.5)]
    weeks = level_by_jobs(100, jobs, MONDAY, weeks=2)
    assert [own.mean_l for own in weeks] == pytest.approx([100, 109, 119])
    assert weeks[1].low_l == pytest.approx(109 - 1.645 * (0.9 * 0.1 * 100) ** 0.5)
    assert weeks[2].high_l == 130
    assert weeks[2].low_l == pytest.approx(119 - 1.645 * (9 + 100) ** 0.5)
