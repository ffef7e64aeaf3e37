from dataclasses import replace
from time import process_time

import pytest

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard, stage_limit
from intervals.exchange.catalogue import (
    METHODS,
    TYPICAL_SHARES,
    MethodCosts,
    WorkHours,
    cost_per_1000_km,
    job_cost,
    usual_purge_hold_up_l,
    work_hours,
)
from intervals.exchange.methods import plan_exchange
from intervals.exchange.model import simulate
from intervals.exchange.shares import one_number_share

LINE, MACHINE = "cooler-line exchange", "machine exchange"
AUTOMATIC = ("drain-and-refill", "repeated drain-and-refill", "overnight drain", LINE, MACHINE)
COSTS = MethodCosts(58.0, 8.2, 13.0, 75_000.0, kit=7.0, machine=15.0)


def find(plans, method, start):
    return next(p for p in plans.plans if (p.method, p.start) == (method, start))


# Reference calculation: 6.1 + 2 x 2.0 = 10.1 L for three quarters fresh, 10.6 L reserved.
def test_the_worked_job_comes_out_as_one_drain_and_two_stages(tb6):
    plan = find(plan_exchange(tb6, AUTOMATIC, 0.75), LINE, "overnight drain")
    assert (plan.drained_l, plan.stages, plan.pushed_l) == (6.1, (2.0, 2.0), 4.0)
    assert plan.new_fluid_l == pytest.approx(10.1)
    assert plan.fresh_share == pytest.approx(0.773, abs=0.005)
    assert plan.fresh_share == pytest.approx(simulate(tb6, LINE, 10.1).fresh_share, abs=2e-4)
    assert 0.75 <= plan.fresh_share_low < plan.fresh_share
    assert plan.reaches_target
    assert plan.total_to_reserve_l == pytest.approx(10.6)
    assert "6.1 L + 2 × 2.00 L = 10.1 L" in plan.sentence
    assert "compartments" in plan.basis


def test_the_cautious_share_is_a_fifth_of_the_way_up_the_stepped_mixing_cases(tb6):
    plan = find(plan_exchange(tb6, [LINE], 0.75), LINE, "overnight drain")
    cases = sorted(
        simulate(tb6, LINE, 10.1, turnover=0.4 + 0.8 * i, bleed=0.05 + 0.1 * j, slice_l=0.01).fresh_share
        for i in range(5)
        for j in range(5)
    )
    assert plan.fresh_share_low == pytest.approx(cases[4] + 0.8 * (cases[5] - cases[4]), abs=2e-4)
    assert cases[12] - plan.fresh_share_low > 5e-4


def test_litres_missing_on_arrival_are_reserved_but_not_exchanged(tb6):
    full = find(plan_exchange(tb6, [LINE], 0.75, 0.3), LINE, "overnight drain")
    low = find(plan_exchange(tb6, [LINE], 0.75, 0.3, 0.2), LINE, "overnight drain")
    assert low.total_to_reserve_l - full.total_to_reserve_l == pytest.approx(0.2)
    assert low.fresh_share == full.fresh_share
    assert full.total_to_reserve_l == pytest.approx(10.4)


# Reference calculation, one-number formula: fewest total litres for a cautious share (m 0.8) of 0.75.
@pytest.mark.parametrize(("start", "least_l"), [("quick drain", 12.28), ("overnight drain", 10.71)])
def test_without_compartments_the_one_number_formula_sizes_the_job(start, least_l):
    card = UnitCard(11.2, 3.6, 6.1)
    plan = find(plan_exchange(card, [LINE], 0.75), LINE, start)
    mark_total = len(plan.stages) * card.jug_mark_l
    assert least_l - 0.01 <= plan.new_fluid_l <= least_l + mark_total
    assert one_number_share(plan.drained_l, plan.pushed_l, 11.2, 0.8) == pytest.approx(plan.fresh_share_low)
    assert plan.basis == "one-number formula, the unit card has no compartments"
    assert "guess" in plan.sentence


# Reference calculation: drains, each with a drive, for a target share.
@pytest.mark.parametrize(("target", "drains"), [(0.67, 3), (0.75, 4), (0.85, 5), (0.90, 6)])
def test_repeated_drains_needed(tb6, target, drains):
    plan = find(plan_exchange(tb6, AUTOMATIC, target), "repeated drain-and-refill", "quick drain")
    assert plan.drains == drains
    assert plan.new_fluid_l == pytest.approx(3.6 * drains)
    assert plan.reaches_target


def test_stages_are_equal_on_the_mark_and_never_above_the_limit(tb6):
    for target in (0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95):
        for card in (tb6, replace(tb6, pickup_l=2.0), UnitCard(11.2, 3.6, 6.1)):
            for plan in plan_exchange(card, [LINE], target).plans:
                assert len(set(plan.stages)) <= 1
                assert all(s <= stage_limit(card).litres + 1e-9 for s in plan.stages)
                assert all(s / 0.25 == pytest.approx(round(s / 0.25)) for s in plan.stages)
                assert plan.reaches_target == (plan.fresh_share_low >= target)


def test_a_higher_target_never_takes_less_fluid(tb6):
    targets = [0.3, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95]
    low = [find(plan_exchange(tb6, [MACHINE], t), MACHINE, "quick drain").new_fluid_l for t in targets]
    assert low == sorted(low)


def test_a_target_within_one_drain_is_one_drain(tb6):
    plans = plan_exchange(tb6, AUTOMATIC, 0.30, costs=COSTS)
    assert plans.best.pushed_l == 0.0
    line = find(plans, LINE, "quick drain")
    assert (line.stages, line.new_fluid_l) == ((), 3.6)
    assert "one drain is enough" in line.sentence
    assert plan_exchange(tb6, AUTOMATIC, 0.30).best.method == "drain-and-refill"


def test_a_target_no_method_reaches_gives_the_best_attainable(tb6):
    plans = plan_exchange(tb6, ["drain-and-refill", "overnight drain"], 0.75)
    assert not plans.reaches_target
    assert plans.best.method == "overnight drain"
    assert plans.best.is_feasible
    assert not plans.best.reaches_target
    assert "below the 75% asked" in plans.best.sentence
    far = plan_exchange(tb6, [LINE], 0.99)
    assert far.best.is_feasible
    assert not far.reaches_target


def test_methods_that_cannot_be_done_are_listed_with_their_reason(tb6):
    plans = plan_exchange(
        tb6, AUTOMATIC, 0.75, night_is_free=False, blocked={MACHINE: "Debris on the magnet."}
    )
    night = find(plans, LINE, "overnight drain")
    assert (night.is_feasible, night.reason, night.new_fluid_l) == (False, "night_not_free", None)
    machine = find(plans, MACHINE, "quick drain")
    assert (machine.reason, machine.sentence, machine.fresh_share) == (
        "blocked",
        "Debris on the magnet.",
        None,
    )
    assert plans.best.start == "quick drain"
    assert not plans.plans[-1].is_feasible
    frost = plan_exchange(tb6, AUTOMATIC, 0.75, blocked={"overnight drain": "Frost is forecast."})
    assert find(frost, LINE, "overnight drain").reason == "blocked"
    assert find(frost, "overnight drain", "overnight drain").sentence == "Frost is forecast."
    no_cooler = plan_exchange(UnitCard(5.0, 2.0, cooler_l=0.0), [LINE], 0.7)
    assert (no_cooler.best, no_cooler.plans[0].reason) == (None, "no_external_cooler")
    assert "No allowed method" in no_cooler.difference
    kept_back = plan_exchange(replace(tb6, overnight_drain_l=3.7), ["overnight drain", LINE], 0.75)
    assert find(kept_back, "overnight drain", "overnight drain").reason == "start_refused"
    assert find(kept_back, LINE, "overnight drain").fresh_share is None
    tight = plan_exchange(replace(tb6, pickup_l=3.5), [LINE], 0.75)
    assert {p.reason for p in tight.plans} == {"no_safe_stage"}


@pytest.mark.parametrize(
    ("method", "reason"),
    [
        ("drain-and-refill", "no_drained_figure"),
        ("overnight drain", "no_overnight_figure"),
        ("bleed", "no_bleed_figure"),
        ("tank drain", "no_drained_figure"),
    ],
)
def test_a_missing_figure_cannot_be_planned(method, reason):
    plans = plan_exchange(UnitCard(10.0), [method], 0.5)
    assert plans.best is None
    assert plans.plans[0].reason == reason


def test_a_typical_share_stands_in_and_says_so():
    card = UnitCard(2.4, unit_kind="manual box")
    plan = plan_exchange(card, ["drain-and-refill"], 0.8).best
    assert plan.basis == "typical share for this kind of unit, not measured"
    assert plan.fresh_share == pytest.approx(0.935)
    assert plan.fresh_share_low == pytest.approx(0.90)
    measured = plan_exchange(replace(card, quick_drain_l=2.3), ["drain-and-refill"], 0.8).best
    assert measured.fresh_share == pytest.approx(2.3 / 2.4)


# Reference calculation: tank 120 of 190 L, once and cycled and again.
def test_hydraulics_tank_and_cycle_and_tank():
    plans = plan_exchange(UnitCard(190.0, 120.0), ["tank drain", "cycle and tank"], 0.8)
    assert find(plans, "tank drain", "quick drain").fresh_share == pytest.approx(0.632, abs=6e-4)
    best = plans.best
    assert (best.method, best.new_fluid_l) == ("cycle and tank", 240.0)
    assert best.fresh_share == pytest.approx(0.864, abs=6e-4)


# Common practice, no source: bleeding renews 0.90 to 0.98 of the brake fluid.
def test_bleeding_lies_in_the_usual_range():
    plan = plan_exchange(UnitCard(1.2, bleed_l=3.0), ["bleed"], 0.9).best
    assert plan.new_fluid_l == 3.0
    assert 0.90 <= plan.fresh_share_low < plan.fresh_share <= 0.98
    assert plan_exchange(UnitCard(1.2, unit_kind="brakes"), ["bleed"], 0.9).best.fresh_share_low == 0.90


# Reference calculation: labour 58/h, fluid 8.2/L, kit 7, machine 15, off-road 13/h, limit 75 000 km.
@pytest.mark.parametrize(
    ("share", "hands_on_h", "litres", "off_road_h", "has_machine", "cost", "per_1000_km"),
    [
        (0.321, 1.1, 3.6, 1.5, False, 119.8, 4.98),
        (0.545, 1.3, 6.1, 3.0, False, 171.4, 4.19),
        (0.773, 2.5, 10.1, 4.0, False, 286.8, 4.95),
        (0.727, 2.2, 10.1, 3.0, False, 256.4, 4.70),
        (0.773, 2.3, 11.4, 3.0, False, 272.9, 4.71),
        (0.688, 2.9, 10.8, 6.0, False, 341.8, 6.62),
        (0.828, 1.7, 14.0, 2.3, True, 265.3, 4.27),
    ],
)
def test_cost_per_1000_km(share, hands_on_h, litres, off_road_h, has_machine, cost, per_1000_km):
    got = job_cost(COSTS, WorkHours(hands_on_h, off_road_h), litres, has_machine)
    assert got == pytest.approx(cost, abs=0.06)
    assert cost_per_1000_km(got, share, 75_000.0) == pytest.approx(per_1000_km, abs=0.006)


# Common practice, no source: hours of the same jobs.
def test_usual_hours_of_the_same_jobs():
    assert work_hours("repeated drain-and-refill", "quick drain", 0.0, 3) == WorkHours(
        pytest.approx(2.9), pytest.approx(6.0)
    )
    assert work_hours(LINE, "overnight drain", 4.0).hands_on_h == pytest.approx(2.5)
    assert work_hours(LINE, "quick drain", 6.5).hands_on_h == pytest.approx(2.2)
    with pytest.raises(QuantityError, match="table of hours"):
        work_hours("bleed", "quick drain")


def test_costs_rank_and_the_runner_up_says_what_it_would_change(tb6):
    plans = plan_exchange(tb6, AUTOMATIC, 0.75, costs=COSTS)
    reaching = [p for p in plans.plans if p.reaches_target]
    prices = [p.cost_per_1000_km for p in reaching]
    assert prices == sorted(prices)
    assert (plans.best, plans.runner_up) == (reaching[0], reaching[1])
    assert plans.runner_up.title in plans.difference
    gap = plans.runner_up.cost_per_1000_km - plans.best.cost_per_1000_km
    assert f"{gap:.2f} per 1 000 km more" in plans.difference
    for plan in reaching:
        work = WorkHours(plan.hands_on_h, plan.off_road_h)
        assert plan.cost == pytest.approx(job_cost(COSTS, work, plan.new_fluid_l, plan.method == MACHINE))


def test_without_costs_the_time_off_the_road_ranks(tb6):
    plans = plan_exchange(tb6, AUTOMATIC, 0.75)
    hours = [p.off_road_h for p in plans.plans if p.reaches_target]
    assert hours == sorted(hours)
    assert plans.best.cost is None


def test_the_night_saves_fluid(tb6):
    plans = plan_exchange(tb6, [LINE], 0.75)
    night, quick = find(plans, LINE, "overnight drain"), find(plans, LINE, "quick drain")
    assert quick.new_fluid_l - night.new_fluid_l > 1.0


def test_a_high_target_asks_for_a_reason(tb6):
    assert plan_exchange(tb6, AUTOMATIC, 0.86).is_reason_asked
    assert not plan_exchange(tb6, AUTOMATIC, 0.85).is_reason_asked


def test_purge_and_hold_up_stay_in_the_usual_range():
    assert usual_purge_hold_up_l(10.1) == pytest.approx(0.5)
    assert usual_purge_hold_up_l(2.1) == pytest.approx(0.263)
    assert usual_purge_hold_up_l(120.0) == 0.5


def test_every_method_has_needs_and_cautions_that_defer_to_the_maker():
    for name, method in METHODS.items():
        assert name == method.name
        assert method.needs
        assert any("maker" in caution for caution in method.cautions)
    line = " ".join(METHODS[LINE].cautions)
    assert "exhaust extraction" in line
    assert "before the first start" in line
    assert all(0.0 < s.low < s.high < 1.0 for s in TYPICAL_SHARES.values())


def test_unusable_questions_are_refused(tb6):
    for target in (0.0, 1.0, float("nan")):
        with pytest.raises(QuantityError, match="target share"):
            plan_exchange(tb6, AUTOMATIC, target)
    with pytest.raises(QuantityError, match="Unknown method"):
        plan_exchange(tb6, ["rinse"], 0.7)
    with pytest.raises(QuantityError, match="zero or more"):
        plan_exchange(tb6, AUTOMATIC, 0.7, missing_on_arrival_l=-0.2)
    with pytest.raises(CardError):
        plan_exchange(replace(tb6, total_fill_l=20.0), AUTOMATIC, 0.7)
    with pytest.raises(QuantityError, match="above zero"):
        cost_per_1000_km(100.0, 0.0, 75_000.0)


def test_a_plan_of_all_methods_costs_less_than_stepping_its_25_cases_twice(tb6):
    plan_exchange(tb6, AUTOMATIC, 0.75)
    began = process_time()
    for _ in range(5):
        plan_exchange(tb6, AUTOMATIC, 0.75)
    plan_s = (process_time() - began) / 5
    began = process_time()
    for _ in range(5):
        simulate(tb6, LINE, 10.1)
    run_s = (process_time() - began) / 5
    assert plan_s < 50 * run_s
