"""The depot on other days: seasons turn, vehicles leave, and a day once done stays."""

import datetime

import pytest

from notifications.services.daily import daily_run
from shop import clock
from shop.models import Depot, DueLine, Job, StateChange
from tests.lines import told_line


def go_to(day: datetime.date) -> None:
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    for depot in Depot.objects.order_by("code"):
        run = daily_run(depot, day)
        assert run.state == "done", run.error


def line(unit: str) -> DueLine:
    return told_line(unit__code=unit, rule__subject="fluid")


@pytest.mark.usefixtures("depot_run")
def test_gritter_stops_with_its_season_and_the_mower_starts() -> None:
    go_to(datetime.date(2026, 4, 3))
    gritter, mower = line("K33-HA7"), line("K38-HS1")
    # 1 460 h on 2 March and 3.2 h a day until 31 March, nothing since: 30 days.
    assert gritter.facts["clocks"][-1]["used"] == pytest.approx(1460 + 30 * 3.2, abs=3.3)
    assert gritter.overlays == []
    # 382 h, 5.5 h a day from 1 April on.
    assert mower.facts["clocks"][-1]["used"] == pytest.approx(382 + 2 * 5.5)
    assert abs((mower.due_on - datetime.date(2026, 4, 4)).days) <= 1


@pytest.mark.usefixtures("depot_run")
def test_old_reading_is_carried_through_the_seasons_in_between() -> None:
    go_to(datetime.date(2026, 12, 1))
    # 30 winter days to 31 March and 30 more from 1 November; the summer adds nothing.
    used = line("K33-HA7").facts["clocks"][-1]["used"]
    assert used == pytest.approx(1460 + (30 + 30) * 3.2, abs=2 * 3.3)
    mowed = line("K38-HS1").facts["clocks"][-1]["used"]
    assert mowed == pytest.approx(382 + 214 * 5.5, abs=5.6)


@pytest.mark.usefixtures("depot_run")
def test_vehicle_that_has_left_is_off_the_list_and_keeps_its_history() -> None:
    changes = StateChange.objects.filter(unit__code="K21-TB6").count()
    assert changes > 0
    go_to(datetime.date(2026, 4, 1))
    assert not DueLine.objects.filter(vehicle__number="K21").exists()
    assert StateChange.objects.filter(unit__code="K21-TB6").count() == changes


@pytest.mark.usefixtures("depot_run")
def test_bus_without_a_spare_is_due_and_not_late_when_the_spare_is_there() -> None:
    go_to(datetime.date(2026, 3, 16))
    bus = line("K30-BA5")
    assert (round(100 * bus.used_share, 1), bus.state) == (101.0, "due")


@pytest.mark.usefixtures("depot_run")
@pytest.mark.parametrize(
    ("zone", "instant", "day"),
    [
        ("America/Los_Angeles", "2026-03-03T01:00:00+00:00", "2026-03-02"),
        ("Pacific/Auckland", "2026-03-01T20:00:00+00:00", "2026-03-02"),
    ],
)
def test_booking_counts_on_its_local_day(zone: str, instant: str, day: str) -> None:
    from shop.selectors.needs import booked_days

    Depot.objects.filter(code="UY").update(time_zone=zone)
    job = Job.objects.filter(unit__code="K01-TB6", state="booked")
    job.update(booked_for=datetime.datetime.fromisoformat(instant))
    depot = Depot.objects.get(code="UY")
    booked = booked_days(datetime.date(2026, 3, 2), [depot.pk])
    assert booked[job.get().unit_id] == datetime.date.fromisoformat(day)
