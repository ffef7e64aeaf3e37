"""Many plans at once say what one plan at a time says; the slow way is the reference here.

Reference: `plan_exchange`, itself checked against worked jobs, a step-by-step twin and closed forms.
"""

import re
from dataclasses import fields, replace

import numpy as np
import pytest

from intervals.errors import CardError, QuantityError
from intervals.exchange.band import share_band
from intervals.exchange.batch import OPTIONS, REASONS, plan_many
from intervals.exchange.card import UnitCard
from intervals.exchange.catalogue import METHODS, TYPICAL_HOURS, TYPICAL_SHARES, WorkHours
from intervals.exchange.done import share_of_done
from intervals.exchange.methods import plan_exchange
from intervals.exchange.starts import COOLER_LINE, DRAIN, MACHINE, OVERNIGHT, START_QUICK

ALL = tuple(METHODS)
FORGETTABLE = (
    "quick_drain_l", "overnight_drain_l", "sump_l", "pickup_l", "heel_l", "cooler_l", "swirl_l",
    "cooler_flow_l_min",
)  # fmt: skip


def gearbox(rng: np.random.Generator) -> UnitCard:
    sump_l, converter_l, passages_l = rng.uniform(2.0, 9.0), rng.uniform(0.8, 5.0), rng.uniform(0.8, 6.0)
    cooler_l = 0.0 if rng.random() < 0.05 else rng.uniform(0.1, 2.0)
    heel_l = rng.uniform(0.0, 0.25) * sump_l
    back_c, back_g = rng.uniform(0.0, 0.5) * converter_l, rng.uniform(0.0, 0.7) * passages_l
    return UnitCard(
        total_fill_l=sump_l + converter_l + cooler_l + passages_l,
        quick_drain_l=sump_l - heel_l,
        overnight_drain_l=sump_l - heel_l + back_c + back_g,
        bleed_l=rng.uniform(0.5, 3.0),
        sump_l=sump_l,
        converter_l=converter_l,
        cooler_l=cooler_l,
        passages_l=passages_l,
        heel_l=heel_l,
        converter_drainback_l=back_c,
        passages_drainback_l=back_g,
        pickup_l=sump_l * rng.uniform(0.2, 0.8),
        swirl_l=sump_l * rng.uniform(0.0, 0.19),
        turnover=rng.choice([0.0, rng.uniform(0.0, 4.0)]),
        bleed=rng.choice([0.0, rng.uniform(0.0, 0.5)]),
        cooler_flow_l_min=rng.uniform(0.5, 6.0),
        jug_mark_l=float(rng.choice([0.1, 0.25, 0.5, 1.0])),
        jug_capacity_l=float(rng.choice([0.0, 1.5, 4.0])) or None,
    )


def unit(rng: np.random.Generator) -> UnitCard:
    """A gearbox whose card may lack figures, or has only a kind, or contradicts itself."""
    card = gearbox(rng)
    kind = rng.random()
    if kind < 0.5:
        return card
    if kind < 0.55:
        return replace(card, sump_l=card.total_fill_l + 1.0)
    if kind < 0.65:
        return UnitCard(card.total_fill_l, unit_kind=str(rng.choice(list(TYPICAL_SHARES))))
    missing = {name: None for name in FORGETTABLE if rng.random() < 0.3}
    return replace(card, **missing)


def row_of(table, row):
    if table.best[row] < 0:
        return None
    return (
        OPTIONS[table.best[row]], int(table.stages[row]), int(table.drains[row]), table.drained_l[row],
        table.pushed_l[row], table.new_fluid_l[row], table.reserve_l[row], table.off_road_h[row],
    )  # fmt: skip


def plan_of(best):
    if best is None:
        return None
    return (
        (best.method, best.start), len(best.stages), best.drains, best.drained_l, best.pushed_l,
        best.new_fluid_l, best.total_to_reserve_l, best.off_road_h,
    )  # fmt: skip


def assert_same(card, methods, target, table, row, hours=TYPICAL_HOURS):
    if REASONS[table.reason[row]] == "card_refused":
        with pytest.raises(CardError, match=f"^{re.escape(table.refusals[row])}$"):
            plan_exchange(card, methods, target, hours=hours)
        assert table.best[row] == -1
        return
    plans = plan_exchange(card, methods, target, hours=hours)
    assert row_of(table, row) == plan_of(plans.best)
    runner = plans.runner_up
    place = table.runner_up[row]
    assert (OPTIONS[place] if place >= 0 else None) == (runner and (runner.method, runner.start))
    if plans.best is None:
        assert REASONS[table.reason[row]] == ("no_feasible_method" if methods else "no_method")
        assert np.isnan([table.new_fluid_l[row], table.fresh_share[row], table.fresh_share_low[row]]).all()
        return
    assert REASONS[table.reason[row]] == plans.best.reason
    assert table.stage_l[row] == (plans.best.stages[0] if plans.best.stages else 0.0)
    assert table.fresh_share[row] == pytest.approx(plans.best.fresh_share, abs=1e-9, rel=0)
    assert table.fresh_share_low[row] == pytest.approx(plans.best.fresh_share_low, abs=1e-9, rel=0)


@pytest.mark.parametrize("seed", range(4))
def test_random_units_get_the_plans_they_get_one_by_one(seed):
    rng = np.random.default_rng(seed)
    cards = [unit(rng) for _ in range(100)]
    allowed = [[str(name) for name in rng.permutation(ALL) if rng.random() < 0.5] for _ in cards]
    targets = rng.uniform(0.2, 0.97, len(cards))
    table = plan_many(cards, allowed, targets)
    for row, card in enumerate(cards):
        assert_same(card, allowed[row], float(targets[row]), table, row)


@pytest.mark.parametrize("size", [0.05, 30.0])
def test_units_of_any_size_and_with_small_parts_get_the_plans_they_get_one_by_one(size):
    rng = np.random.default_rng(17)
    cards = []
    for _ in range(25):
        card = gearbox(rng)
        thin_l = 0.008 * card.total_fill_l
        card = replace(card, total_fill_l=card.total_fill_l - card.converter_l + thin_l, converter_l=thin_l,
                       converter_drainback_l=0.0, overnight_drain_l=card.quick_drain_l)  # fmt: skip
        litres = {f.name: getattr(card, f.name) for f in fields(card) if f.name.endswith("_l")}
        cards.append(replace(card, **{name: v and size * v for name, v in litres.items()}))
    targets = rng.uniform(0.4, 0.95, len(cards))
    table = plan_many(cards, [[COOLER_LINE, MACHINE]] * len(cards), targets)
    assert "card_refused" not in {REASONS[reason] for reason in table.reason}
    for row, card in enumerate(cards):
        assert_same(card, [COOLER_LINE, MACHINE], float(targets[row]), table, row)


@pytest.mark.parametrize("method", [COOLER_LINE, MACHINE])
def test_every_target_of_the_reference_unit_gets_the_same_litres(tb6, method):
    targets = np.concatenate([np.linspace(0.3, 0.95, 27), [3.6 / 11.2, 6.1 / 11.2, 0.999]])
    table = plan_many([tb6] * targets.size, [[method]] * targets.size, targets)
    for row, target in enumerate(targets.tolist()):
        assert_same(tb6, [method], target, table, row)


def test_the_units_own_hours_decide_the_order(tb6):
    slow_machine = dict(TYPICAL_HOURS) | {(MACHINE, START_QUICK): WorkHours(5.0, 9.0)}
    methods = [MACHINE, COOLER_LINE]
    table = plan_many([tb6], [methods], [0.7], hours=slow_machine)
    assert table.method(0) == COOLER_LINE
    assert table.start(0) == START_QUICK
    assert_same(tb6, methods, 0.7, table, 0, slow_machine)


def test_where_one_drain_is_enough_nothing_is_pushed(tb6):
    methods = [COOLER_LINE, MACHINE, OVERNIGHT]
    for target in (0.30, 3.6 / 11.2, 0.54):
        table = plan_many([tb6], [methods], [target])
        assert_same(tb6, methods, target, table, 0)
    assert plan_many([tb6], [[COOLER_LINE]], [0.3]).stages[0] == 0


def test_an_unsafe_unit_gets_a_reason_and_no_number(tb6):
    no_stage = replace(tb6, pickup_l=3.5)
    table = plan_many([no_stage, tb6], [[COOLER_LINE], [COOLER_LINE]], [0.7, 0.7])
    assert REASONS[table.reason[0]] == "no_feasible_method"
    assert table.method(0) is None
    assert table.start(0) is None
    assert np.isnan([table.new_fluid_l[0], table.stage_l[0], table.reserve_l[0]]).all()
    assert table.stages[0] == 0
    assert table.method(1) == COOLER_LINE


def test_no_units_give_an_empty_table():
    assert plan_many([], [], []).best.size == 0


@pytest.mark.parametrize(
    ("allowed", "targets", "message"),
    [
        ([[DRAIN]], [1.0], "above 0 and below 1"),
        ([[DRAIN]], [float("nan")], "above 0 and below 1"),
        ([["flush"]], [0.5], "Unknown method 'flush'"),
        ([[DRAIN]], [0.5, 0.6], "one target share"),
        ([], [0.5], "one list of methods"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_a_sentence(tb6, allowed, targets, message):
    with pytest.raises(QuantityError, match=message):
        plan_many([tb6], allowed, targets)


@pytest.mark.parametrize("mixing", [0.0, 0.45, 0.95, 1.0])
def test_a_mixing_number_on_the_card_counts_in_the_place_of_the_guess(mixing):
    # Reference calculation: 6.1 + 4.0 of 11.2 L leave 0.9018 at m 0 and 0.6814 at m 1, linear between.
    card = UnitCard(11.2, quick_drain_l=3.6, overnight_drain_l=6.1, mixing=mixing)
    targets = np.linspace(0.6, 0.85, 9)
    table = plan_many([card] * targets.size, [[COOLER_LINE]] * targets.size, targets)
    for row, target in enumerate(targets.tolist()):
        assert_same(card, [COOLER_LINE], target, table, row)
    band = share_band(card, COOLER_LINE, "overnight drain", [10.1])
    assert band.best[0] == pytest.approx(0.9018 - mixing * (0.9018 - 0.6814), abs=1e-4)
    done = share_of_done(card, f"overnight drain + {COOLER_LINE}", 10.1)
    assert done.share == pytest.approx(band.best[0])
    guessed = share_band(replace(card, mixing=None), COOLER_LINE, "overnight drain", [10.1])
    assert (guessed.best[0], guessed.low[0]) == (
        pytest.approx(0.7696, abs=1e-4),
        pytest.approx(0.7255, abs=1e-4),
    )
