"""What the next service counts from: the job, or the scheduled point of a job done inside its window.

US Army DA PAM 750-8: a service may be done 10 % before or after it is due, in days, miles or hours; inside that
variance the scheduled date or reading is recorded so that the cadence does not shift, outside it the actual one is and
the next is scheduled from there (as PS Magazine, article 2042883, 18 Dec 2019, explains it).
"""

import datetime
from pathlib import Path

import pytest

from shop import clock
from shop.models import LastService, RuleVersion, SeverityFactor, Unit, Vehicle
from shop.selectors.core_inputs import gather
from shop.services.due import due_refresh_now
from shop.services.job_standing import standing_at
from shop.services.jobs import JobReport, job_close
from shop.services.last_service import Totals
from tests.factories import PersonFactory
from tests.lines import told_line
from tests.shop.web.conftest import NOW, TODAY, Yard

SCHEDULED = RuleVersion.Cadence.FROM_SCHEDULED


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yield Yard()
    clock.pin(None)


def close(yard, number, used_km, **rule):
    """Close a drain-and-refill, as much as the rule takes for granted, after so far; return its next run."""
    unit = yard.add(number, used_km)
    RuleVersion.objects.update(policy="full credit", assumed_freshness_share=0.3, **rule)
    due_refresh_now([Vehicle.objects.get(number=number).pk])
    report = JobReport(
        method="drain-and-refill", done_on=TODAY, in_l=3.6, out_l=3.6, level_temp_c=80.0, level_reading_mm=0.0,
        leak_checked=True, road_tested=True, meter_text="100000", done_by="Bea",
    )  # fmt: skip
    job_close(PersonFactory(role="foreman", depots=[yard.depot]), unit, report)
    return next_run(unit)


def next_run(unit):
    inputs = gather(TODAY, unit.fittings.all())
    return float(inputs.distance.next_run[0])


@pytest.mark.parametrize(
    ("used_km", "expected"),
    [
        (57_000, 63_000),  # early inside the window: 60 000 after the scheduled 60 000
        (63_000, 57_000),  # late inside it
        (54_000, 66_000),  # the ends of the window are inside
        (66_000, 54_000),
        (53_000, 60_000),  # before it opened: from the job
        (67_000, 60_000),  # after it closed: from the job
    ],
)
def test_the_next_counts_from_the_scheduled_point_inside_the_window(yard, used_km, expected):
    assert close(yard, "A1", used_km, cadence=SCHEDULED) == pytest.approx(expected)


@pytest.mark.parametrize("used_km", [57_000, 63_000, 67_000])
def test_the_table_of_the_developers_page_is_what_comes_out(yard, used_km):
    page = (Path(__file__).resolve().parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
    expected = close(yard, "A1", used_km, cadence=SCHEDULED)
    assert f"| {used_km:,} km | {expected:,.0f} km |".replace(",", " ") in page.splitlines()


@pytest.mark.parametrize("used_km", [57_000, 63_000, 67_000])
def test_by_default_it_counts_from_the_job(yard, used_km):
    assert close(yard, "A1", used_km) == pytest.approx(60_000)


def test_the_sentence_says_so(yard):
    close(yard, "A1", 63_000, cadence=SCHEDULED)
    line = told_line(unit__code="A1-TB6")
    assert "counted from the scheduled point, 3 000 km before the last job" in line.sentence
    assert "carried over" not in line.sentence
    assert line.facts["cadence"] == SCHEDULED


def test_a_vehicle_under_warranty_gets_nothing_on_top_of_the_interval(yard):
    unit = Unit.objects.get(code=yard.add("A1", 57_000).code)
    Vehicle.objects.update(warranty_until=TODAY + datetime.timedelta(days=400))
    LastService.objects.update(scheduled_unit_km=46_000.0, unit_km=43_000.0)
    RuleVersion.objects.update(cadence=SCHEDULED)
    assert next_run(unit) == pytest.approx(60_000)
    Vehicle.objects.update(warranty_until=None)
    assert next_run(unit) == pytest.approx(63_000)


def test_the_calendar_keeps_its_day(yard):
    unit = yard.add("A1", 5_000)
    LastService.objects.update(done_on=TODAY, scheduled_on=TODAY + datetime.timedelta(days=36))
    RuleVersion.objects.update(cadence=SCHEDULED, interval_km=None, interval_months=12)
    inputs = gather(TODAY, unit.fittings.all())
    # PS 569: a year's service done 36 days early stays due on the same day of the year after.
    assert inputs.time.next_days[0] == 365 + 36


def test_a_point_scheduled_at_another_severity_is_scaled(yard):
    unit = yard.add("A1", 57_000)
    LastService.objects.update(scheduled_unit_km=46_000.0, unit_km=43_000.0)
    RuleVersion.objects.update(cadence=SCHEDULED)
    SeverityFactor.objects.create(
        unit=unit, reason="towing", factor=1.5, source="x", applies_from=TODAY - datetime.timedelta(days=7)
    )
    # 3 000 km at 1 wear like 2 000 at 1.5.
    assert next_run(unit) == pytest.approx(60_000 / 1.5 + 2_000)


def test_the_age_carried_over_remembers_the_severity_it_was_run_with(yard):
    unit = yard.add("A1", 57_000)
    SeverityFactor.objects.create(
        unit=unit, reason="towing", factor=1.5, source="x", applies_from=TODAY - datetime.timedelta(days=28)
    )
    report = JobReport(method="", subject="fluid", done_on=TODAY, done_by="Bea")
    found = standing_at(unit.fittings.get(), report, Totals(km=100_000.0, h=None), is_whole=True)
    assert found.age_severity_km == pytest.approx((52_800 * 1.0 + 4_200 * 1.5) / 57_000, rel=1e-9)
