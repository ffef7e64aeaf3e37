"""Filled less lost top-ups against drained and gathered."""

import pytest

from shop.planning.waste_balance import MonthFigures, month_balance


def test_412_expected_and_363_gathered_is_a_gap_of_a_ninth():
    # Worked by hand: (412 - 363) / 412 = 11.9 %. 430 L filled of which 18 L were top-ups.
    month = month_balance(
        MonthFigures(
            filled_l=430, lost_l=18, drained_l=412, poured_by_jobs_l=412, dipped_l=-49, dips=1, collected_l=363,
            moves=30,
        )
    )  # fmt: skip
    assert month.figures.expected_l == 412
    assert month.figures.level_change_l == 0
    assert month.gathered.gap_l == pytest.approx(49)
    assert month.gathered.gap_share == pytest.approx(0.119, abs=0.0005)
    assert month.is_to_look_at
    assert any("49 L gone by dip" in one for one in month.candidates)


def test_litres_still_in_the_container_are_no_gap():
    month = month_balance(
        MonthFigures(filled_l=400, drained_l=398, poured_by_jobs_l=398, dips=1, collected_l=300, moves=9)
    )
    assert month.figures.level_change_l == pytest.approx(98)
    assert month.gathered.gap_l == pytest.approx(2)
    assert not month.is_to_look_at
    assert month.candidates == ()


def test_nothing_filled_or_nothing_booked_cannot_be_said():
    top_ups = month_balance(MonthFigures(filled_l=6, lost_l=6, moves=2, poured_by_hand_l=4))
    assert (top_ups.gathered, top_ups.is_to_look_at) == (None, False)
    assert top_ups.cannot_say
    unbooked = month_balance(MonthFigures(filled_l=100, drained_l=99))
    assert unbooked.gathered is None
    assert "Nothing was booked" in unbooked.cannot_say
    assert not unbooked.is_to_look_at


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"drained_l": 60.0, "silent_jobs": 4}, "4 jobs without litres"),
        ({"drained_l": 60.0, "poured_by_jobs_l": 60.0}, "40 L filled more than drained"),
        ({"poured_by_jobs_l": 70.0}, "30 L drained but not booked into this container"),
        ({"dipped_l": 25.0, "dips": 1}, "25 L too much by dip"),
        ({"poured_by_hand_l": 15.0}, "15 L poured in outside jobs"),
        ({"poured_by_jobs_l": 50.0}, "no dip in this month"),
        ({"drained_l": 130.0, "poured_by_jobs_l": 130.0}, "30 L drained more than filled"),
    ],
)
def test_a_gap_names_where_to_look(changes, named):
    balanced = {"filled_l": 100.0, "drained_l": 100.0, "poured_by_jobs_l": 100.0, "moves": 12}
    assert not month_balance(MonthFigures(**balanced)).is_to_look_at
    month = month_balance(MonthFigures(**(balanced | changes)))
    assert month.is_to_look_at
    assert any(named in one for one in month.candidates)
