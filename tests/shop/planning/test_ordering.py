"""Order lines of the demo depot: how much, from whom, in which packs and how soon."""

from datetime import date, time
from decimal import Decimal

import pytest

from shop.planning.demand import JobNeed, pool_need
from shop.planning.ordering import FluidShelf, Supplier, propose_line
from shop.planning.packs import Pack

MONDAY = date(2026, 3, 2)
MORNING = time(9)
BRINNOCK = Supplier("Brinnock Oils", 4, time(14), minimum_l=40, free_freight_from=Decimal(400))
QUARLANE = Supplier("Quarlane Fluids", 2, time(11))


def march(day):
    return date(2026, 3, day)


def job(unit, chance, litres, day):
    return JobNeed(unit, "box", litres, chance, 1.0, 1.0, march(day))


BOX_JOBS = [
    job("K08", 1.00, 10.6, 2),
    job("K01", 0.97, 10.6, 2),
    job("K04", 0.10, 10.6, 2),
    job("K02", 0.95, 10.6, 9),
    job("K09", 0.70, 10.6, 10),
    job("K19", 0.95, 10.6, 12),
    job("K18", 0.40, 10.6, 18),
    job("K18", 0.40, 1.8, 18),
    job("K06", 0.45, 10.6, 27),
    job("K03", 0.15, 10.6, 29),
]
ATF = [
    Pack(size, Decimal(price), f"{size} L")
    for size, price in ((5, "44"), (20, "158"), (60, "429"), (208, "1340"))
]
ATF_DEARER = [Pack(p.size_l, p.price * Decimal("1.12"), p.label) for p in ATF if p.size_l <= 20]
BOTH = {QUARLANE: ATF_DEARER, BRINNOCK: ATF}


def box_line(jobs=BOX_JOBS, free=23.0, offers=BOTH, today=MONDAY, now=MORNING, on_order=0.0, **life):
    life = {"usage_per_month_l": 50.0, "shelf_life_months": 36.0, "opened_life_months": 12.0} | life
    return propose_line(
        "ATF 1-A13", pool_need(jobs, 1.0), FluidShelf(free), on_order, offers, today, now, **life
    )


def test_the_depot_orders_one_sixty_litre_pack_today():
    # Reference calculation: 79.70 to have, 23 free, 56.7 short; one 60 L pack at 429, 406.6 less left-over.
    line = box_line()
    assert line.net_l == pytest.approx(56.7, abs=0.05)
    assert [(pack.label, count) for pack, count in line.packs] == [("60 L", 1)]
    assert (line.supplier, line.cost, line.cut_off) == (BRINNOCK, Decimal(429), time(14))
    assert line.net_price == pytest.approx(Decimal("406.6"), abs=Decimal("0.05"))
    assert line.arrives_on == march(6)
    assert (line.when, line.latest_order_day) == ("order today", MONDAY)
    assert [each.unit_label for each in line.falls] == ["K02", "K09", "K19"]
    assert line.missed == ()
    assert line.sentence == (
        "ATF 1-A13: order 1 × 60 L from Brinnock Oils before 14:00 today, 429.00: 79.7 L wanted, "
        "23.0 L free, 0.0 L on the way, 56.7 L short; without it no fluid for K02, K09, K19."
    )


def test_quarantined_stock_is_not_free():
    # Reference calculation: two buses at 18.6 L, 40 L on the shelf, 20 of them blocked: one 20 L pack.
    pooled = pool_need([job("K27", 0.97, 18.6, 10), job("K30", 0.98, 18.6, 16)], 0.0)
    shelf = FluidShelf(40.0, quarantined_l=20.0)
    line = propose_line(
        "BA-S4", pooled, shelf, 0.0, {BRINNOCK: [Pack(20, Decimal(205), "20 L")]}, MONDAY, MORNING
    )
    assert line.net_l == pytest.approx(17.2)
    assert line.litres == 20
    assert {"quarantined", "left_over_unknown"} <= {reason.code for reason in line.reasons}


def test_half_a_litre_short_takes_a_second_pack():
    # Reference calculation: 120.5 L needed, 100 in stock: 2 × 20 L and not 1.
    line = propose_line(
        "HV 46",
        pool_need([job("K34", 1.0, 120.5, 13)], 0.0),
        FluidShelf(100.0),
        0.0,
        {BRINNOCK: [Pack(20, Decimal(90), "20 L"), Pack(208, Decimal(800), "208 L")]},
        MONDAY,
        MORNING,
    )
    assert [count for _, count in line.packs] == [2]
    assert line.latest_order_day == march(6)
    assert line.when == "this week"


def test_the_supplier_who_reaches_the_job_is_taken_before_the_cheaper_one():
    jobs = [job("K08", 1.0, 10.6, 2), job("K19", 0.95, 10.6, 5)]
    assert box_line(jobs, free=11.0).supplier == QUARLANE
    later = [job("K08", 1.0, 10.6, 2), job("K19", 0.95, 10.6, 12)]
    assert box_line(later, free=11.0).supplier == BRINNOCK


def test_a_job_nobody_can_reach_is_named_and_does_not_turn_the_choice():
    line = box_line([job("K02", 1.0, 10.6, 2), job("K19", 0.95, 10.6, 12)], free=0.0)
    assert line.supplier == BRINNOCK
    assert [each.unit_label for each in line.missed] == ["K02"]
    assert "too_late" in {reason.code for reason in line.reasons}


def test_after_the_cut_off_the_order_is_later_and_says_so():
    line = box_line(now=time(15), offers={BRINNOCK: ATF})
    assert line.arrives_on == march(9)
    assert [each.unit_label for each in line.missed] == ["K02"]
    assert "cut_off_passed" in {reason.code for reason in line.reasons}


def test_an_order_far_ahead_can_wait():
    line = box_line([job("K03", 0.9, 10.6, 31)], free=0.0)
    assert (line.when, line.latest_order_day) == ("can wait", march(24))


def test_unlikely_jobs_still_set_a_latest_day_when_they_are_all_there_is():
    line = box_line([job("K06", 0.45, 10.6, 27)], free=0.0)
    assert line.falls == ()
    assert line.latest_order_day == march(20)


def test_enough_stock_means_nothing_to_order():
    assert box_line(free=80.0).when == "nothing to order"
    line = box_line(free=23.0, on_order=60.0)
    assert (line.when, line.packs, line.falls, line.cost) == ("nothing to order", (), (), 0)


def test_left_over_is_bought_only_as_far_as_its_life_allows():
    # Use 10 L a month, two years of life and 23 L there: 217 L may be bought, and a drum of 208 fits.
    cheap_drum = {BRINNOCK: [Pack(20, Decimal(158), "20 L"), Pack(208, Decimal(480), "208 L")]}
    usable = box_line(offers=cheap_drum, usage_per_month_l=10.0, shelf_life_months=24.0)
    assert usable.litres == 208
    # One year of life leaves 97 L: the drum would expire, three pails do not.
    assert box_line(offers=cheap_drum, usage_per_month_l=10.0, shelf_life_months=12.0).litres == 60


def test_stock_never_counted_gives_cannot_say():
    line = box_line(free=float("nan"))
    assert (line.when, line.packs) == ("cannot say", ())
    assert "Count the shelf" in line.sentence


def test_no_pack_with_a_price_gives_cannot_say():
    line = box_line(offers={BRINNOCK: []})
    assert line.when == "cannot say"
    assert "no supplier" in line.sentence


def test_free_is_shelf_less_three_deductions_and_over_reserving_shows():
    assert FluidShelf(50, 10.6, 20, 2.6).free_l == pytest.approx(16.8)
    line = propose_line(
        "F", pool_need([job("K01", 1.0, 5.0, 9)], 0.0), FluidShelf(2.0, 6.0), 0.0, BOTH, MONDAY, MORNING
    )
    assert line.net_l == pytest.approx(9.0)
    assert "over_reserved" in {reason.code for reason in line.reasons}


def test_jobs_not_known_are_named_on_the_line():
    unknown = JobNeed("K40", "box", None, 0.9, 1.0, 1.0, march(20))
    line = box_line([*BOX_JOBS, unknown])
    assert any(reason.code == "left_out" and "K40" in str(reason) for reason in line.reasons)
