"""Steps in any order: the books close, known methods come out the same, unsafe steps refuse the whole."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange.card import UnitCard
from intervals.exchange.model import simulate
from intervals.exchange.sequence import KINDS, MOST_STEPS, Step, run_sequence
from intervals.exchange.shares import one_number_share, share_after_drains, stirred_share
from tests.intervals.exchange.boxes import boxes, within

LINE, MACHINE = "cooler-line exchange", "machine exchange"


def share(card, *steps, **more):
    return run_sequence(
        card, [Step(*one) if isinstance(one, tuple) else Step(one) for one in steps], **more
    ).fresh_share


# Mass balance of a stirred tank, 1 - (1 - D/V)^n; without an engine run between, the drain takes the new fluid out.
@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_drains_with_a_drive_between_are_powers_of_the_dilution(tb6, n):
    driven = share(tb6, *(["quick drain", "pour", "drive"] * n))
    assert driven == pytest.approx(1.0 - (1.0 - 3.6 / 11.2) ** n, abs=1e-9)


@pytest.mark.parametrize(("n", "expected"), [(1, 0.3214), (2, 0.3536), (3, 0.3568)])
def test_drains_without_an_engine_run_hardly_renew_anything(tb6, n, expected):
    standing = share(tb6, *(["quick drain", "pour"] * n))
    assert standing == pytest.approx(expected, abs=5e-5)
    assert standing == pytest.approx(share_after_drains(n, 3.6, 11.2, False, 0.4), abs=1e-9)


@pytest.mark.parametrize(
    ("steps", "method", "start", "litres"),
    [
        (["overnight drain", "pour", (LINE, 4.0)], LINE, "overnight drain", 10.1),
        (["quick drain", "pour", (LINE, 6.5)], LINE, "quick drain", 10.1),
        ([(LINE, 10.1)], LINE, "none", 10.1),
        (["quick drain", "pour", (MACHINE, 10.4)], MACHINE, "quick drain", 14.0),
    ],
)
def test_the_known_methods_come_out_as_simulated(tb6, steps, method, start, litres):
    run = simulate(tb6, method, litres, start=start)
    assert share(tb6, *steps) == pytest.approx(run.fresh_share, abs=1e-9)


def test_circulating_before_the_stages_loses_seven_points(tb6):
    plain = share(tb6, "overnight drain", "pour", (LINE, 4.0))
    circulated = share(tb6, "overnight drain", "pour", ("circulate", 20.0), (LINE, 4.0))
    assert plain == pytest.approx(0.773, abs=6e-4)
    assert circulated == pytest.approx(0.704, abs=6e-4)


# Mass balance: what goes round and round ends as one mixture, just as after a drive.
def test_circulating_for_long_mixes_as_a_drive_does(tb6):
    begun = ["quick drain", "pour", (LINE, 3.0)]
    driven = run_sequence(tb6, [Step(*s) if isinstance(s, tuple) else Step(s) for s in [*begun, "drive"]])
    long = share(tb6, *begun, ("circulate", 200.0), "quick drain", "pour")
    assert long == pytest.approx(driven.fresh_share + (1.0 - driven.fresh_share) * 3.6 / 11.2, abs=1e-6)


def test_a_second_drain_another_day_goes_on_from_the_first(tb6):
    one = share(tb6, "overnight drain", "pour", (LINE, 4.0), "drive")
    both = share(tb6, "overnight drain", "pour", (LINE, 4.0), "drive", "quick drain", "pour")
    assert both == pytest.approx(one + (1.0 - one) * 3.6 / 11.2, abs=1e-9)


@pytest.mark.parametrize(
    ("steps", "at", "reason", "said"),
    [
        (["quick drain", "drive"], 2, "not_full", "3.60 L are missing"),
        (["overnight drain", ("pour", 3.6), (LINE, 2.0)], 3, "start_refused", "Pour at least 0.20 L first"),
        (["overnight drain", ("circulate", 5.0)], 2, "start_refused", "0.0 L would be left"),
        (["quick drain", "pour", (LINE, 4.0, 4.0)], 3, "stage_too_large", "at most 2.00 L"),
        ([("pour", 1.0)], 1, "overfilled", "only 0.00 L are missing"),
        (["quick drain", "quick drain"], 2, "nothing_to_drain", "nothing more comes out"),
        (["overnight drain", "overnight drain"], 2, "nothing_to_drain", "nothing more comes out"),
        (["quick drain", (MACHINE, 5.0)], 2, "not_full", "needs a full unit"),
        (["overnight drain", (MACHINE, 5.0)], 2, "not_full", "needs a full unit"),
        (["overnight drain", "pour", "overnight drain", ("pour", 7.0)], 4, "overfilled", "only 6.10 L"),
    ],
)
def test_an_unsafe_step_refuses_the_whole_and_names_itself(tb6, steps, at, reason, said):
    run = run_sequence(tb6, [Step(*one) if isinstance(one, tuple) else Step(one) for one in steps])
    assert (run.is_allowed, run.refused_at, run.reason, run.fresh_share, run.rows) == (
        False,
        at,
        reason,
        None,
        (),
    )
    assert run.sentence.startswith(f"Step {at}, ")
    assert said in run.sentence


def test_a_short_refill_makes_the_stages_smaller(tb6):
    short = [Step("overnight drain"), Step("pour", 5.75), Step(LINE, 2.0, 2.0)]
    assert run_sequence(tb6, short).reason == "stage_too_large"
    run = run_sequence(tb6, [*short[:2], Step(LINE, 1.75, 1.75)])
    assert run.is_allowed
    assert run.missing_l == pytest.approx(0.35)
    assert "still missing" in run.sentence


@pytest.mark.parametrize(
    "steps",
    [[], [Step("rinse")], [Step(LINE)], [Step(LINE, -1.0)], [Step("pour", math.nan)], [Step("pour", math.inf)],
     [Step(LINE, 150.0), Step(MACHINE, 80.0)], [Step(LINE, 1.0, 0.0)], [Step(LINE, 1.0, hose="in the middle")],
     [Step("drive")] * (MOST_STEPS + 1)],
)  # fmt: skip
def test_steps_that_cannot_be_are_refused_in_a_sentence(tb6, steps):
    with pytest.raises(QuantityError):
        run_sequence(tb6, steps)


def test_what_cannot_be_done_with_a_unit_is_refused(tb6):
    no_line = replace(tb6, cooler_l=0.0, total_fill_l=10.3)
    assert run_sequence(no_line, [Step(LINE, 2.0)]).reason == "no_external_cooler"
    tight = replace(tb6, pickup_l=3.6)
    assert run_sequence(tight, [Step(LINE, 2.0)]).reason == "no_safe_stage"
    empty = replace(
        tb6, heel_l=0.0, pickup_l=0.0, swirl_l=0.0, quick_drain_l=4.0, overnight_drain_l=6.5
    )  # the card knows no pickup; an empty sump is an empty sump
    assert run_sequence(empty, [Step("quick drain"), Step("circulate", 1.0)]).reason == "start_refused"


def test_a_converter_that_empties_overnight_can_be_drained_twice(tb6):
    card = replace(tb6, converter_drainback_l=3.2, overnight_drain_l=8.4)
    run = run_sequence(card, [Step("overnight drain"), Step("pour"), Step("overnight drain"), Step("pour")])
    assert run.is_allowed
    assert run.out_l == pytest.approx(2 * 8.4)
    # Nothing ran in between: the second night takes out the new fluid but for the share that the heel keeps.
    assert run.fresh_share == pytest.approx(8.4 / 11.2 * (1.0 + 0.4 / 8.8), abs=1e-9)


BARE = UnitCard(11.2, 3.6, 6.1, heel_l=0.4)


# Without parts: Levenspiel's stirred tank and the dilution power law, as in test_shares.py.
@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        (["quick drain", "pour"] * 3, 0.3568),
        (["quick drain", "pour", "drive"] * 3, 0.6875),
        (["overnight drain", "pour", "drive", "overnight drain", "pour"], 0.7926),
        (["overnight drain", "pour", (LINE, 4.0)], 0.7696),
        (["quick drain", "pour", (MACHINE, 6.5)], 0.7328),
        (["quick drain", "pour", (LINE, 3.0), (MACHINE, 7.4)], 0.8391),
        (["quick drain", "overnight drain", "pour"], 0.5446),
        (["quick drain", ("pour", 1.0), "pour", ("drive"), ("circulate", 5.0)], 0.3214),
    ],
)
def test_a_card_without_parts_answers_by_the_closed_forms(steps, expected):
    assert share(BARE, *steps) == pytest.approx(expected, abs=5.1e-5)


def test_a_push_on_another_day_renews_what_was_left_alike():
    first = ["overnight drain", "pour", (LINE, 4.0), "drive"]
    old = (1.0 - share(BARE, *first)) * (1.0 - one_number_share(3.6, 2.0, 11.2))
    assert share(BARE, *first, "quick drain", "pour", (LINE, 2.0)) == pytest.approx(1.0 - old, abs=1e-9)
    stirred = share(BARE, "quick drain", "pour", (MACHINE, 4.0), mixing=1.0)
    assert stirred == pytest.approx(stirred_share(3.6, 4.0, 11.2), abs=1e-9)


def test_a_card_without_parts_shows_no_sump_and_says_what_it_rests_on():
    run = run_sequence(BARE, [Step("quick drain"), Step("pour")])
    assert (run.lowest_sump_l, [row.sump_l for row in run.rows]) == (None, [None, None])
    assert run.basis == "litres renewed over total fill"
    pushed = run_sequence(BARE, [Step(MACHINE, 4.0)])
    assert pushed.basis == "one-number formula, the unit card has no compartments"


@pytest.mark.parametrize(
    ("card", "steps", "at", "reason", "said"),
    [
        (BARE, ["quick drain", "pour", (LINE, 0.5), "quick drain"], 4, "cannot_say", "drive first"),
        (BARE, ["quick drain", "pour", "overnight drain"], 3, "cannot_say", "drains back in a night"),
        (BARE, ["quick drain", "pour", "quick drain", "pour", (LINE, 0.5)], 5, "cannot_say", "drive first"),
        (BARE, ["quick drain", "pour", ("circulate", 5.0)], 3, "cannot_say", "drive instead"),
        (BARE, [(MACHINE, 2.0, None, "before the cooler")], 1, "cannot_say", "cooler"),
        (BARE, ["overnight drain", ("pour", 5.0), "quick drain"], 3, "cannot_say", "just poured"),
        (UnitCard(11.2, 3.6), ["quick drain", "pour", "quick drain"], 3, "cannot_say", "just poured"),
        (UnitCard(11.2, 3.6), ["overnight drain"], 1, "cannot_say", "does not give the overnight drain"),
        (UnitCard(11.2), ["quick drain"], 1, "cannot_say", "does not give the quick drain"),
        (BARE, ["quick drain", (LINE, 0.5)], 2, "not_full", "do not start"),
        (BARE, ["quick drain", "drive"], 2, "not_full", "prove the level"),
        (BARE, [(LINE, 2.0, 2.0)], 1, "stage_too_large", "at most 0.75 L"),
        (UnitCard(11.2), [(LINE, 2.0)], 1, "no_safe_stage", "no stage is safe"),
        (BARE, ["overnight drain", "quick drain"], 2, "nothing_to_drain", "nothing more"),
    ],
)
def test_what_a_card_without_parts_does_not_give_is_not_guessed(card, steps, at, reason, said):
    run = run_sequence(card, [Step(*one) if isinstance(one, tuple) else Step(one) for one in steps])
    assert (run.is_allowed, run.refused_at, run.reason, run.fresh_share) == (False, at, reason, None)
    assert said in run.sentence


STEPS = st.builds(
    Step, st.sampled_from(KINDS), st.sampled_from([0.1, 0.5, 1.0, 2.0, 3.6, 6.1]), st.none(),
    st.sampled_from(["after the cooler", "before the cooler"]),
)  # fmt: skip
POUR_ALL = st.just(Step("pour"))


def total_of(card):
    if not card.has_compartments:
        return card.total_fill_l
    return card.sump_l + card.converter_l + card.cooler_l + card.passages_l


@settings(max_examples=120, deadline=None)
@given(
    st.one_of(boxes(), boxes(0.0), st.builds(UnitCard, st.floats(7.0, 40.0), st.floats(1.0, 4.0), st.floats(4.0, 7.0),
                                            heel_l=st.one_of(st.none(), st.floats(0.0, 1.0)))),
    st.lists(st.one_of(STEPS, POUR_ALL), min_size=1, max_size=10), within(0.0, 4.0), within(0.0, 0.5),
)  # fmt: skip
def test_volume_and_fresh_fluid_are_accounted_for_after_any_steps(card, steps, r, b):
    total_l, fresh_before = total_of(card), 0.0
    floor_l = (card.pickup_l or 0.0) + (card.swirl_l or 0.0)
    for upto in range(1, len(steps) + 1):
        if sum(s.litres or 0.0 for s in steps[:upto]) > 20.0 * total_l:
            break
        run = run_sequence(card, steps[:upto], turnover=r, bleed=b, slice_l=0.05)
        if not run.is_allowed:
            assert run.refused_at == upto
            assert run.sentence.startswith(f"Step {upto}, {steps[upto - 1].kind}: ")
            break
        assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
        assert run.total_volume_l + run.missing_l == pytest.approx(total_l, abs=1e-9)
        assert total_l - run.out_l + run.new_fluid_l == pytest.approx(run.total_volume_l, abs=1e-9)
        assert -1e-9 <= run.fresh_share <= 1.0 + 1e-9
        assert run.fresh_lost_l >= -1e-9
        assert run.rows[-1].fresh_share == run.fresh_share
        last = run.rows[-1]
        if last.kind in ("circulate", "drive"):
            assert run.fresh_share == pytest.approx(fresh_before, abs=1e-9)
        if card.has_compartments and last.kind in (LINE, MACHINE, "circulate"):
            assert last.lowest_sump_l >= floor_l - 1e-9
        fresh_before = run.fresh_share
