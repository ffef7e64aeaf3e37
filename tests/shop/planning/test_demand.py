"""Pooled need: reference sums, plain enumeration and a simulation of nothing but the definition."""

from datetime import date
from itertools import product
from math import sqrt

import pytest

from shop.planning.demand import JobNeed, first_day_short, jobs_that_fall, net_need_l, pool_need


def job(chance, litres, day=date(2026, 3, 10), label="U1", sd=0.3):
    return JobNeed(label, "box", litres, chance, 1.0, 1.0, day, litres_sd=sd)


SEVEN = [
    job(p, q) for p, q in ((0.97, 10.6), (0.94, 10.6), (0.88, 10.6), (0.80, 3.9), (0.50, 10.6), (0.30, 10.6))
]
SEVEN.append(job(0.20, 3.9))

DEPOT = [job(p, 10.6) for p in (1.00, 0.97, 0.95, 0.95, 0.70, 0.45, 0.40, 0.15, 0.10)] + [job(0.40, 1.8)]


def test_seven_jobs_pool_to_the_reference_need():
    # Reference calculation; both vectors hold with top-ups taken without spread.
    pooled = pool_need(SEVEN, 0.0)
    assert pooled.mean_l == pytest.approx(41.95, abs=0.005)
    assert pooled.sd_l == pytest.approx(8.86, abs=0.005)
    assert pooled.order_up_to_l == pytest.approx(56.52, abs=0.005)
    assert net_need_l(pooled.order_up_to_l, 13.5, 5.0) == pytest.approx(38.0, abs=0.05)


def test_depot_jobs_pool_to_the_reference_need():
    # Reference calculation: one litre of top-ups, 23 L free.
    pooled = pool_need(DEPOT, 1.0)
    assert pooled.mean_l == pytest.approx(61.82, abs=0.005)
    assert pooled.sd_l == pytest.approx(10.87, abs=0.005)
    assert pooled.order_up_to_l == pytest.approx(79.70, abs=0.005)
    assert net_need_l(pooled.order_up_to_l, 23.0, 0.0) == pytest.approx(56.7, abs=0.05)


def test_mean_and_spread_agree_with_counting_every_outcome():
    jobs = [job(0.9, 10.0, sd=0.0), job(0.5, 4.0, sd=0.0), job(0.25, 7.0, sd=0.0), job(0.1, 18.6, sd=0.0)]
    mean = square = 0.0
    for happens in product((0, 1), repeat=len(jobs)):
        weight = 1.0
        for yes, each in zip(happens, jobs, strict=True):
            weight *= each.probability if yes else 1 - each.probability
        litres = sum(yes * each.litres for yes, each in zip(happens, jobs, strict=True))
        mean += weight * litres
        square += weight * litres**2
    pooled = pool_need(jobs, 0.0)
    assert pooled.mean_l == pytest.approx(mean)
    assert pooled.sd_l == pytest.approx(sqrt(square - mean**2))


def test_equal_jobs_have_the_binomial_spread_and_the_tabled_quantiles():
    # Binomial mean n*p and variance n*p*(1-p); z 1.645 at 95 % and 2.326 at 99 %:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.6.18 and 1.3.6.7.1.
    jobs = [job(0.3, 1.0, sd=0.0) for _ in range(100)]
    pooled = pool_need(jobs, 0.0)
    assert pooled.mean_l == pytest.approx(30.0)
    assert pooled.sd_l == pytest.approx(sqrt(21.0))
    assert pooled.order_up_to_l == pytest.approx(30.0 + 1.645 * sqrt(21.0), abs=0.002)
    at_99 = pool_need(jobs, 0.0, service_level=0.99)
    assert at_99.order_up_to_l == pytest.approx(30.0 + 2.326 * sqrt(21.0), abs=0.005)


def test_never_more_than_all_jobs_together_could_take():
    two_buses = pool_need([job(0.97, 18.6), job(0.95, 18.6)], 0.0)
    assert two_buses.order_up_to_l == pytest.approx(37.2)
    certain = pool_need([job(1.0, 120.0)], 0.5)
    assert certain.order_up_to_l == pytest.approx(120.5)


def test_spread_of_top_ups_widens_the_need_when_it_is_known():
    assert pool_need(DEPOT, 1.0, baseline_sd_l=2.0).sd_l == pytest.approx(sqrt(10.8663**2 + 4.0), abs=0.001)


def test_probability_is_the_product_of_three_shares():
    each = JobNeed("U1", "box", 10.6, 0.5, 0.8, 0.9, date(2026, 3, 10))
    assert each.probability == pytest.approx(0.36)


@pytest.mark.parametrize("gap", [{"litres": None}, {"p_due": None}, {"turns_up_share": float("nan")}])
def test_what_is_not_known_is_set_apart_and_never_zero(gap):
    figures = {"litres": 10.6, "p_due": 0.9, "turns_up_share": 1.0, "passes_gate_share": 1.0} | gap
    unknown = JobNeed("U9", "box", needed_on=date(2026, 3, 10), **figures)
    pooled = pool_need([job(1.0, 5.0), unknown], 0.0)
    assert pooled.left_out == (unknown,)
    assert pooled.most_l == pytest.approx(5.0)


def test_jobs_fall_in_date_order_and_an_unlikely_one_does_not_empty_the_shelf():
    first = job(1.0, 10.6, date(2026, 3, 2), "A")
    unlikely = job(0.1, 10.6, date(2026, 3, 2), "B")
    second = job(0.97, 10.6, date(2026, 3, 3), "C")
    third = job(0.9, 10.6, date(2026, 3, 9), "D")
    small = job(0.9, 0.5, date(2026, 3, 12), "E")
    falls = jobs_that_fall([small, third, second, unlikely, first], 23.0)
    assert [each.unit_label for each in falls] == ["D"]
    assert jobs_that_fall([first, third], 21.2) == ()


def test_first_day_short_counts_every_job_in_full():
    jobs = [job(0.2, 10.6, date(2026, 3, 2)), job(0.2, 10.6, date(2026, 3, 9))]
    assert jobs_that_fall(jobs, 15.0) == ()
    assert first_day_short(jobs, 15.0) == date(2026, 3, 9)
    assert first_day_short(jobs, 21.2) is None


def test_promised_stock_adds_to_the_need_and_surplus_never_makes_it_negative():
    assert net_need_l(20.0, -5.0, 0.0) == 25.0
    assert net_need_l(20.0, 15.0, 10.0) == 0.0


def test_impossible_figures_are_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        job(1.2, 10.0)
    with pytest.raises(ValueError, match="0 or more"):
        job(0.5, -1.0)
    with pytest.raises(ValueError, match="service level"):
        pool_need([], 0.0, service_level=1.0)
