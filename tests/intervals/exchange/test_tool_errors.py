"""Sticks, trays and jugs: slopes out of measured corrections, errors out of weighings."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from intervals.errors import QuantityError
from intervals.exchange.learning import Belief, Learned, learn
from intervals.exchange.tool_errors import READING_ERROR, reading_error, stick_belief, stick_slope

MOVED = [(180.0, 7.5), (-200.0, -8.5), (400.0, 16.0), (-120.0, -5.2)]
VAGUE = Belief(25.0, 1e6, 0.5, None, 1.0)


def test_a_known_removal_gives_the_slope():
    # Reference calculation: 180 mL moved the stick 7.5 mm, 24.0 mL/mm.
    assert stick_slope(-180, 4.0, -3.5).value == pytest.approx(24.0)
    assert stick_slope(180, -3.5, 4.0).value == pytest.approx(24.0)


def test_its_spread_is_that_of_the_law_of_propagation():
    # JCGM 100 (GUM) 5.1.2 by differences instead of derivatives: 10 mL, and 0.5 mm at each of two readings.
    ml, mm = 180.0, 7.5
    by_ml = (ml + 10) / mm - ml / mm
    by_mm = (ml / (mm - 5e-6) - ml / (mm + 5e-6)) / 1e-5 * 0.5
    assert stick_slope(ml, 0.0, mm).sd == pytest.approx(math.sqrt(by_ml**2 + 2 * by_mm**2), rel=1e-6)


def test_many_corrections_with_a_sure_stick_are_a_regression_through_the_origin():
    # Independent: numpy least squares of mL on mm without intercept; polyfit with the mirrored points, whose intercept
    # is zero by symmetry, must agree too.
    seen = [stick_slope(ml, 0.0, mm, sd_ml=10.0, sd_mm=1e-9) for ml, mm in MOVED]
    ml, mm = (np.array(column) for column in zip(*MOVED, strict=True))
    slope = np.linalg.lstsq(mm[:, None], ml, rcond=None)[0][0]
    mirrored = np.polyfit(np.r_[mm, -mm], np.r_[ml, -ml], 1)
    learned = learn(VAGUE, seen)
    assert learned.mean == pytest.approx(slope, rel=1e-9)
    assert learned.mean == pytest.approx(mirrored[0], rel=1e-9)
    assert learned.sd == pytest.approx(10.0 / math.sqrt((mm**2).sum()), rel=1e-6)


def test_with_errors_in_both_it_is_near_the_orthogonal_regression():
    # Independent: errors in both, the true heights fitted with the slope by scipy; equal to first order only, so within
    # a fifth of the standard deviation.
    ml, mm = (np.array(column) for column in zip(*MOVED, strict=True))
    u_mm = 0.2 * math.sqrt(2)

    def residuals(fit: np.ndarray) -> np.ndarray:
        return np.r_[(ml - fit[0] * fit[1:]) / 10.0, (mm - fit[1:]) / u_mm]

    best = optimize.least_squares(residuals, np.r_[20.0, mm])
    learned = learn(VAGUE, [stick_slope(one, 0.0, height, sd_ml=10.0, sd_mm=0.2) for one, height in MOVED])
    assert abs(learned.mean - best.x[0]) < 0.2 * learned.sd
    assert learned.sd == pytest.approx(math.sqrt(np.linalg.inv(best.jac.T @ best.jac)[0, 0]), rel=0.05)


def test_the_book_counts_as_one_less_certain_correction():
    # Independent: prior 25 ± 20 % times likelihood, integrated numerically by scipy.
    seen = [stick_slope(180, 0.0, 7.5)]

    def density(k: float) -> float:
        return stats.norm.pdf(k, 25.0, 5.0) * stats.norm.pdf(seen[0].value, k, seen[0].sd)

    total = integrate.quad(density, 0, 60, points=[24.0])[0]
    mean = integrate.quad(lambda k: k * density(k), 0, 60, points=[24.0])[0] / total
    assert learn(stick_belief(25.0), seen).mean == pytest.approx(mean, rel=1e-7)


@pytest.mark.parametrize(
    ("moved", "words"),
    [
        ((180, 2.0, 2.0), "do not belong together"),
        ((180, 4.0, -3.5), "poured in raises"),
        ((0, 0.0, 4.0), "do not belong together"),
        ((float("nan"), 0.0, 4.0), "do not belong together"),
        ((180, 0.0, 7.5, 0.0), "above zero"),
    ],
)
def test_a_correction_that_cannot_be_is_refused(moved, words):
    with pytest.raises(QuantityError, match=words):
        stick_slope(*moved)


def test_one_weighed_job_tells_most_of_a_trays_error():
    # Reference calculation: 0 ± 4 % and one observation of −3.6 ± 1.2 % give −3.30 ± 1.15 %.
    learned = learn(READING_ERROR, [reading_error(10.0, 10.36)])
    assert (round(100 * learned.mean, 2), round(100 * learned.sd, 2), learned.n) == (-3.30, 1.15, 1)
    assert learn(READING_ERROR, []) == Learned(0.0, pytest.approx(0.04), 0)
    with pytest.raises(QuantityError, match="weigh again"):
        reading_error(0.0, 3.0)
    with pytest.raises(QuantityError, match="not usable"):
        stick_belief(0.0)
