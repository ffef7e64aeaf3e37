"""The demo depot's recall, a deferral over the no-touch window, and the hard duty of its pick-up as driven."""

import datetime

import pytest

from notifications.services.daily import daily_run
from shop import clock
from shop.models import Depot, DueLine, Person, Recall, SeverityFactor, Unit, Vehicle
from shop.selectors.deferrals import DeferralAsked
from shop.services.deferrals import DeferralReport, deferral_sign
from shop.services.due import due_refresh_now
from shop.services.recalls import ClosingReport, recall_close
from tests.lines import told_line


def line(code: str) -> DueLine:
    return told_line(unit__code=code, rule__subject="fluid")


def test_closing_the_recall_releases_k17(foreman: Person) -> None:
    assert line("K17-VB2").overlays == ["on hold"]
    done = ClosingReport(datetime.date(2026, 3, 2), "Ines", "the maker's letter: fluid filled as it says")
    recall_close(foreman, Recall.objects.get(), Vehicle.objects.get(number="K17"), done)
    assert (line("K17-VB2").state, line("K17-VB2").overlays) == ("window open", [])


def test_the_gritters_deferral_comes_back_on_2_april(foreman: Person) -> None:
    """Its calendar falls due on 13 March inside the no-touch window to 31 March."""
    back_on = datetime.date(2026, 4, 2)
    hold = deferral_sign(
        foreman, line("K31-HA7"), DeferralReport(DeferralAsked(back_on), "winter service until April", "Ines")
    )
    # 36 months from 13 Mar 2023 are 1 096 days; 2 April is day 1 116.
    assert hold.share_then == pytest.approx(1_116 / 1_096, rel=1e-6)
    upper = Depot.objects.get(code="UY")
    for day, overlays in (
        (datetime.date(2026, 3, 31), ["on hold", "after season"]),
        (datetime.date(2026, 4, 1), ["on hold"]),
        (back_on, []),
    ):
        clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
        daily_run(upper, day)
        assert line("K31-HA7").overlays == overlays, day
    assert line("K31-HA7").state == "due"


def test_the_pick_up_opens_falls_due_and_is_late_at_its_own_figures(depot_run: datetime.date) -> None:
    """Reference case: 60 000 / (1.3 x 1.15) = 40 134; opens at 36 120, late above 44 147."""
    (clock_facts,) = [own for own in line("K19-TB6").facts["clocks"] if own["clock"] == "distance"]
    limit = clock_facts["limit"]
    assert (int(limit * 0.9), round(limit), int(limit * 1.1)) == (36_120, 40_134, 44_147)
    assert clock_facts["used"] == pytest.approx(39_200)
    assert line("K19-TB6").facts["severity_stretches"] == []


def test_a_pick_up_that_stops_towing_keeps_what_it_towed(depot_run: datetime.date) -> None:
    """Eight weeks without towing at 120 km a day: 6 720 km at 1.15, the 32 480 before at 1.495."""
    unit = Unit.objects.get(code="K19-TB6")
    SeverityFactor.objects.filter(unit=unit, reason="trailer towing").update(
        ends_on=depot_run - datetime.timedelta(days=56)
    )
    due_refresh_now([line("K19-TB6").vehicle_id])
    found = line("K19-TB6")
    worn = 32_480 * 1.495 + 6_720 * 1.15
    assert found.used_share == pytest.approx(worn / 60_000, abs=2e-4)
    assert found.used_share > 39_200 * 1.15 / 60_000 + 0.1
    assert "since 5 Jan 2026 with 1.15" in found.sentence
