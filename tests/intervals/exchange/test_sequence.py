"""Steps in any order: the books close, known methods come out the same, unsafe steps refuse the whole."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange import share_after_drains, simulate
from intervals.exchange.sequence import KINDS, MOST_STEPS, Step, run_sequence

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
     [Step(LINE, 1.0, 0.0)], [Step(LINE, 1.0, hose="in the middle")], [Step("drive")] * (MOST_STEPS + 1)],
)  # fmt: skip
def test_steps_that_cannot_be_are_refused_in_a_sentence(tb6, steps):
    with pytest.raises(QuantityError):
        run_sequence(tb6, steps)


STEPS = st.builds(Step, st.sampled_from(KINDS), st.sampled_from([0.1, 0.5, 1.0, 2.0, 3.6, 6.1]))


@settings(max_examples=60, deadline=None)
@given(st.lists(STEPS, min_size=1, max_size=10), st.floats(0.0, 4.0), st.floats(0.0, 0.5))
def test_volume_and_fresh_fluid_are_accounted_for_after_any_steps(tb6, steps, r, b):
    for upto in range(1, len(steps) + 1):
        run = run_sequence(tb6, steps[:upto], turnover=r, bleed=b, slice_l=0.05)
        if not run.is_allowed:
            assert run.refused_at == upto
            break
        assert run.fresh_in_l - run.fresh_lost_l - run.fresh_held_l == pytest.approx(0.0, abs=1e-9)
        assert run.total_volume_l + run.missing_l == pytest.approx(11.2, abs=1e-9)
        assert 11.2 - run.out_l + run.new_fluid_l == pytest.approx(run.total_volume_l, abs=1e-9)
        assert 0.0 <= run.fresh_share < 1.0
        assert run.lowest_sump_l >= -1e-9
        assert [row.fresh_share for row in run.rows][-1] == run.fresh_share
