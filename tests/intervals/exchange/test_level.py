import math
from dataclasses import replace

import pytest

from intervals.errors import CardError, QuantityError
from intervals.exchange.level import (
    excess_ml,
    growth_ml,
    ml_per_mm_from_removal,
    pulls_needed,
    standpipe_check,
    stick_offset_mm,
    tilt_error_mm,
)
from intervals.exchange.volumes import volume_at


# Reference calculation.
@pytest.mark.parametrize(
    ("temp_c", "ml", "mm"),
    [
        (0, -692, -27.7), (10, -611, -24.4), (20, -529, -21.1), (30, -445, -17.8), (40, -359, -14.4),
        (50, -272, -10.9), (60, -183, -7.3), (70, -92, -3.7), (72, -74, -3.0), (80, 0, 0.0),
        (90, 94, 3.8), (100, 190, 7.6),
    ],
)  # fmt: skip
def test_stick_table_of_the_reference_unit(tb6, temp_c, ml, mm):
    assert growth_ml(11.2, 80, temp_c) == pytest.approx(ml, abs=0.6)
    assert stick_offset_mm(temp_c, tb6) == pytest.approx(mm, abs=0.06)


# Reference calculation.
@pytest.mark.parametrize(("reading_mm", "temp_c", "ml"), [(4, 66, 229), (-12, 66, -171), (-11, 30, 170)])
def test_a_reading_at_any_temperature_gives_the_excess(tb6, reading_mm, temp_c, ml):
    assert excess_ml(reading_mm, temp_c, tb6) == pytest.approx(ml, abs=1.0)


def test_growth_of_the_sump_alone_is_the_wrong_sum():
    sump_only = 1000 * (volume_at(4.0, 20, 80) - 4.0)
    assert sump_only == pytest.approx(189, abs=0.6)  # reference calculation
    assert growth_ml(11.2, 20, 80) / sump_only == pytest.approx(2.8, abs=0.01)


def test_a_box_on_the_hot_mark_when_cold_is_half_a_litre_over(tb6):
    assert excess_ml(0.0, 20, tb6) == pytest.approx(529, abs=0.6)  # reference calculation


def test_excess_comes_out_in_pulls_with_a_reading_between():
    assert pulls_needed(229.0) == (3, 2)
    assert pulls_needed(-171.0) == (0, 0)
    assert pulls_needed(100.0) == (1, 1)


# Reference calculation: set at 55 instead of 40 °C.
@pytest.mark.parametrize(("total_l", "short_ml"), [(7.2, 83), (11.2, 130)])
def test_a_hot_standpipe_check_is_void_and_leaves_the_unit_short(total_l, short_ml):
    check = standpipe_check(55, 35, 45, total_l)
    assert not check.is_valid
    assert check.error_ml == pytest.approx(-short_ml, abs=0.6)
    assert "short" in check.sentence


def test_a_cold_standpipe_check_leaves_the_unit_over_and_one_inside_counts():
    assert "over" in standpipe_check(20, 35, 45, 7.2).sentence
    assert standpipe_check(35, 35, 45, 7.2).is_valid
    assert standpipe_check(40, 35, 45, 7.2).error_ml == pytest.approx(0.0)


# Reference calculation.
def test_scale_tilt_and_a_large_fill():
    assert ml_per_mm_from_removal(180, 7.5) == pytest.approx(24.0)
    assert tilt_error_mm(1.0, 250) == pytest.approx(4.4, abs=0.05)
    assert tilt_error_mm(1.0, 250) * 25 == pytest.approx(109, abs=0.5)
    assert volume_at(28.0, 15, 80) - 28.0 == pytest.approx(1.43, abs=0.006)


def test_a_card_without_a_stick_cannot_say(tb6):
    with pytest.raises(CardError, match="mL per mm"):
        stick_offset_mm(60, replace(tb6, ml_per_mm=None))


def test_missing_readings_and_impossible_windows_are_refused(tb6):
    with pytest.raises(QuantityError, match="reading is missing"):
        excess_ml(math.nan, 60, tb6)
    with pytest.raises(QuantityError, match="upside down"):
        standpipe_check(40, 45, 35, 7.2)
    with pytest.raises(QuantityError, match="learn the stick"):
        ml_per_mm_from_removal(180, 0)
    with pytest.raises(QuantityError, match="tilt"):
        tilt_error_mm(60, 250)
    with pytest.raises(QuantityError, match="total fill"):
        growth_ml(0.0, 20, 80)
