"""The wear of a unit's run as it was driven, from its records to its due line."""

import datetime

import pytest

from shop import clock
from shop.models import DueLine, LastService, SeverityFactor, Unit
from shop.selectors.core_inputs import gather
from shop.services.due import due_refresh_now
from tests.lines import told_line
from tests.shop.web.conftest import NOW, TODAY, Yard

WEEK = datetime.timedelta(days=7)


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yard = Yard()
    yard.add("A1", 34_100)
    yield yard
    clock.pin(None)


def factor(value, begins, **more):
    return SeverityFactor.objects.create(
        unit=Unit.objects.get(code="A1-TB6"), reason=more.pop("reason", "towing"), factor=value, source="house",
        applies_from=begins, **more,
    )  # fmt: skip


def line_now():
    line = DueLine.objects.filter(unit__code="A1-TB6").select_related("vehicle").first()
    vehicle_pk = line.vehicle_id if line else Unit.objects.get(code="A1-TB6").fittings.get().vehicle_id
    due_refresh_now([vehicle_pk])
    return told_line(unit__code="A1-TB6")


def test_distance_before_a_change_counts_with_the_old_severity(yard):
    # Four weeks at 150 km a day are 4 200 km: 29 900 as they are, 4 200 times 1.3 = 5 460; 35 360 of 60 000.
    factor(1.3, TODAY - 4 * WEEK)
    line = line_now()
    assert line.used_share == pytest.approx((29_900 + 4_200 * 1.3) / 60_000, rel=1e-6)
    assert "since 2 Feb 2026 with 1.3: 4 200 km count as 5 460" in line.sentence
    assert line.facts["severity_stretches"] == [
        {"from": None, "severity": 1.0, "run": 29_900.0, "counts_as": 29_900.0, "unit": "km"},
        {"from": "2026-02-02", "severity": 1.3, "run": 4_200.0, "counts_as": 5_460.0, "unit": "km"},
    ]


def test_a_factor_that_has_held_since_the_job_divides_the_interval(yard):
    factor(1.495, TODAY - datetime.timedelta(days=700))
    line = line_now()
    assert line.used_share == pytest.approx(34_100 / (60_000 / 1.495), rel=1e-9)
    assert "count as" not in line.sentence
    assert line.facts["severity_stretches"] == []


def test_an_ended_factor_counts_for_its_own_stretch(yard):
    factor(1.3, TODAY - 8 * WEEK, ends_on=TODAY - 4 * WEEK)
    assert line_now().used_share == pytest.approx((34_100 + 0.3 * 4_200) / 60_000, rel=1e-6)


def test_the_day_before_the_change_nothing_has_changed(yard):
    before = line_now().used_share
    factor(1.5, TODAY)
    assert line_now().used_share == pytest.approx(before, rel=1e-9)
    assert line_now().due_on < TODAY + datetime.timedelta(days=round((60_000 - 34_100) / 150))


def test_the_calendar_clock_is_not_touched(yard):
    factor(1.5, TODAY - 4 * WEEK)
    inputs = gather(TODAY, Unit.objects.get(code="A1-TB6").fittings.all())
    assert inputs.time.since_days[0] == 300.0


def test_unknown_totals_stay_unknown(yard):
    factor(1.3, TODAY - 4 * WEEK)
    LastService.objects.update(unit_km=None)
    assert line_now().state == "cannot say"


def test_reading_the_changes_takes_as_many_queries_for_many_vehicles(yard, django_assert_num_queries):
    factor(1.3, TODAY - 4 * WEEK)
    for number in ("B1", "B2", "B3"):
        unit = yard.add(number, 20_000)
        SeverityFactor.objects.create(
            unit=unit, reason="hills", factor=1.15, source="house", applies_from=TODAY - WEEK
        )
    with django_assert_num_queries(8):
        gather(TODAY, Unit.objects.get(code="A1-TB6").fittings.all())
    with django_assert_num_queries(8):
        gather(TODAY, Unit.objects.first().fittings.model.objects.all())
