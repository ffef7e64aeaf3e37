"""Where the lines of the small pictures fall."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.web.pictures import GAUGE_WIDTH, STRIP_WIDTH, gauge, parcel_parts, share_parts, strip, tank_bar


def test_an_even_scale_is_proportional():
    picture = strip(0.65, 0.9, 1.1)
    assert picture.marker_x == STRIP_WIDTH / 2
    assert picture.window.x + picture.window.width == picture.late_x
    assert picture.opens_x < picture.due_x < picture.late_x
    assert len(picture.ticks) == 27


@pytest.mark.parametrize("unknown", [None, math.nan, math.inf])
def test_what_cannot_be_said_has_no_marker(unknown):
    picture = gauge(unknown, 0.9, 1.1)
    assert picture.marker_x is None
    assert picture.used.width == 0


def test_far_over_stays_on_the_paper_and_is_known():
    picture = strip(4.0, 0.9, 1.1)
    assert picture.marker_x == STRIP_WIDTH
    assert picture.is_off_scale


@given(st.floats(0, 1.3), st.floats(0, 1.3))
def test_more_used_never_stands_further_left(one, other):
    low, high = sorted((one, other))
    assert gauge(low, 0.9, 1.1).marker_x <= gauge(high, 0.9, 1.1).marker_x <= GAUGE_WIDTH


@given(st.lists(st.floats(0.01, 1), min_size=1, max_size=6))
def test_parcels_fill_the_bar_without_gap(weights):
    parcels = [
        {"share": weight / sum(weights), "age_days": 30.0 * place} for place, weight in enumerate(weights)
    ]
    parts = parcel_parts(parcels)
    assert parts[0].span.x == 0
    assert parts[-1].is_fresh
    for left, right in itertools.pairwise(parts):
        assert left.span.x + left.span.width == pytest.approx(right.span.x, abs=0.02)
    assert parts[-1].span.x + parts[-1].span.width == pytest.approx(STRIP_WIDTH, abs=0.1)


def test_an_age_that_is_not_known_is_not_new():
    (part,) = parcel_parts([{"share": 1.0}])
    assert not part.is_fresh
    assert part.age_days is None


def test_a_share_that_is_not_known_draws_nothing():
    assert share_parts(None) == ()
    assert [part.share for part in share_parts(1.0)] == [1.0]


def test_a_tank_never_runs_over_its_bar():
    bar = tank_bar(1200, 1000, 602)
    assert bar.level.width == GAUGE_WIDTH
    assert bar.call_x == pytest.approx(0.602 * GAUGE_WIDTH)
    assert tank_bar(10, 1000, None).call_x is None
