"""Dips against the books of a bulk tank."""

import numpy as np
import pytest

from intervals.exchange.volumes import volume_at
from shop.planning.bulk_tank import Shrink, litres_from_dip, shrink, verdict_on


def test_what_is_missing_is_a_share_of_the_issues():
    # Worked by hand: 900 + 1 200 - 1 310 - 778 = 12 L; 12 / 1 310 = 0.92 %.
    gap = shrink(900, 1200, 1310, 778)
    assert gap.missing_l == 12
    assert gap.share == pytest.approx(0.0092, abs=0.00005)
    assert gap.is_normal


def test_without_issues_it_cannot_be_said():
    assert shrink(900, 0, 0, 880) is None


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("wrong", [-1.0, float("nan"), float("inf")])
def test_impossible_litres_are_refused(place, wrong):
    figures = [900.0, 1200.0, 1310.0, 778.0]
    figures[place] = wrong
    with pytest.raises(ValueError, match="0 or more"):
        shrink(*figures)


def test_1500_litres_at_24_degrees_are_1480_2_at_6():
    # API MPMS 11.1 / ASTM D1250, lubricating oils, density 850 kg/m³ at 60 °F.
    assert volume_at(1500, 24, 6) == pytest.approx(1480.2, abs=0.05)


def gap(share: float) -> Shrink:
    return shrink(1000, 0, 500, 500 - 500 * share)


@pytest.mark.parametrize(
    ("shares", "state"),
    [
        ([], "cannot say"),
        ([0.0092], "normal"),
        ([-0.01], "normal"),
        ([0.011], "watch"),
        ([0.035], "watch"),
        ([0.03, 0.0301], "look"),
        ([-0.04, -0.031], "look"),
        ([0.04, -0.04], "watch"),
        ([0.04, 0.005], "normal"),
        ([0.04, None, 0.04], "watch"),
        ([0.04, 0.04, None], "cannot say"),
    ],
)
def test_three_hundredths_two_months_running_are_looked_at(shares, state):
    verdict = verdict_on([None if share is None else gap(share) for share in shares])
    assert verdict.state == state
    assert bool(verdict.candidates) == (state == "look")


def test_candidates_follow_the_sign():
    assert any("leak" in one for one in verdict_on([gap(0.04)] * 2).candidates)
    assert any("not booked" in one for one in verdict_on([gap(-0.04)] * 2).candidates)
    assert any("nobody booked" in one for one in verdict_on([gap(0.04)] * 2).candidates)


def test_the_dip_table_is_read_straight_between_its_lines():
    # Against numpy's interpolation.
    table = [(0.0, 0.0), (200.0, 214.0), (500.0, 610.0), (1200.0, 1500.0)]
    for mm in (0.0, 37.0, 200.0, 481.5, 1199.9, 1200.0):
        expected = np.interp(mm, [row[0] for row in table], [row[1] for row in table])
        assert litres_from_dip(mm, table) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("mm", "table", "named"),
    [
        (-1, [(0, 0), (10, 10)], "outside"),
        (11, [(0, 0), (10, 10)], "outside"),
        (5, [(0, 0)], "two lines"),
        (5, [(0, 0), (10, 0)], "rising"),
        (5, [(0, 0), (0, 5), (10, 7)], "rising"),
        (float("nan"), [(0, 0), (10, 10)], "outside"),
    ],
)
def test_a_stick_beyond_the_table_or_a_crooked_table_is_refused(mm, table, named):
    with pytest.raises(ValueError, match=named):
        litres_from_dip(mm, table)
