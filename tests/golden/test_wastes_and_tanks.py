"""The demo's containers and its engine-oil tank, as the scenario has them on day 0."""

import pytest

from shop.models import Person, WasteTank
from shop.selectors.tanks import tanks_of, tanks_shown
from shop.selectors.wastes import containers_of, containers_shown
from shop.selectors.wastes_ahead import levels_ahead


def test_used_oil_is_called_for_today_and_the_others_are_not(foreman: Person) -> None:
    # Scenario: 630 of 1 000 L, 42 ± 24 L a day, lead 5 days, call level 602; coolant 120 of 208; brake fluid 6 of 20.
    shown = {own.tank.stream: own for own in containers_shown(containers_of(foreman))}
    oil = shown["used oil"]
    assert (oil.tank.level_l, oil.tank.capacity_l, oil.call.state) == (630, 1000, "call today")
    assert oil.call.call_level_l == pytest.approx(602, abs=0.5)
    assert not oil.rate.is_learned
    assert {stream: (own.tank.level_l, own.tank.capacity_l) for stream, own in shown.items() if own is not oil} == {
        "coolant": (120, 208), "brake fluid": (6, 20),
    }  # fmt: skip
    assert {shown["coolant"].call.state, shown["brake fluid"].call.state} == {"call by"}


def test_jobs_due_bring_both_yards_old_oil_into_the_one_tank(foreman: Person) -> None:
    shown = [own for own in containers_shown(containers_of(foreman)) if own.tank.stream == "used oil"]
    ahead = levels_ahead(shown)[WasteTank.objects.get(stream="used oil").pk]
    # K34's hydraulic tank alone is 120 L; with the boxes of the next weeks the tank would pass its brim.
    assert ahead.jobs >= 20
    assert ahead.by_jobs[-1].mean_l > 900
    assert ahead.by_jobs[-1].mean_l < ahead.at_rate[-1].mean_l


def test_the_engine_oil_dip_is_three_hundredths_below_the_books(foreman: Person) -> None:
    # Scenario: 880 L by the books, dip -3 %. Dips at 15 °C: API MPMS 11.1, density 872.
    shown = tanks_shown(tanks_of(foreman))[0]
    assert (shown.tank.code, shown.tank.item.on_shelf_l) == ("T1", 880)
    assert shown.last.off_share == pytest.approx(-0.03, abs=0.001)
    assert [month.shrink is None for month in shown.months] == [True, False, False]
    assert shown.verdict.state == "look"
