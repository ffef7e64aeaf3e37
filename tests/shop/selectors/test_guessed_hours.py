"""Hours guessed from the distance: the same as a distance limit of hours times speed, and said to be a guess."""

import datetime

import numpy as np
import pytest

from shop import clock
from shop.errors import InputError
from shop.models import Fitting, LastService, Meter, RuleVersion, Season, SeverityFactor, Vehicle
from shop.selectors.core_inputs import gather
from shop.selectors.due_columns import COMPARED
from shop.selectors.line_records import gather_records
from shop.services.due import due_refresh_now, row_by_row
from shop.services.jobs import JobReport, job_close
from tests.factories import MeterFactory, PersonFactory, ReadingFactory
from tests.lines import told_line
from tests.shop.web.conftest import NOW, TODAY, Yard

KM_H = 18.0
LIMIT_H = 3_000.0
NOTE = "hours guessed from distance at 18 km/h"
SAME = [name for name in COMPARED if name not in ("clock", "due_clock", "overlays")]


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yield Yard()
    clock.pin(None)


@pytest.fixture
def unit(yard):
    found = yard.add("B1", 50_000)
    Vehicle.objects.update(average_speed_km_h=KM_H)
    return found


def by_hours() -> None:
    RuleVersion.objects.update(interval_km=None, interval_h=LIMIT_H, interval_months=None)


def by_distance() -> None:
    RuleVersion.objects.update(interval_km=LIMIT_H * KM_H, interval_h=None, interval_months=None)


def plain(unit) -> None:
    """Nothing out of the ordinary."""


def partial(unit) -> None:
    RuleVersion.objects.update(policy="age credit", assumed_freshness_share=0.65)
    LastService.objects.update(age_km=30_000, age_h=None)


def fitted_later(unit) -> None:
    Fitting.objects.update(vehicle_km_at_fit=40_000, unit_km_at_fit=7_000)
    LastService.objects.update(unit_km=20_000)


def severe(unit) -> None:
    for days, factor in ((400, 1.1), (100, 1.4)):
        SeverityFactor.objects.create(
            unit=unit, reason="hills", factor=factor, source="house",
            applies_from=TODAY - datetime.timedelta(days=days),
        )  # fmt: skip
    LastService.objects.update(age_km=5_000, age_severity_km=1.2)


def seasonal(unit) -> None:
    season = Season.objects.create(code="winter", opens_month=11, opens_day=1, closes_month=3, closes_day=15)
    Vehicle.objects.update(season=season, in_season_per_day=150.0, off_season_per_day=12.0)


def laid_up(unit) -> None:
    seasonal(unit)
    Meter.objects.get().readings.update(true_total=99_000)


@pytest.mark.parametrize("so", [plain, partial, fitted_later, severe, seasonal, laid_up])
def test_it_is_a_distance_limit_of_hours_times_speed(unit, so):
    so(unit)
    found = []
    for limit in (by_distance, by_hours):
        limit()
        found.append(row_by_row(TODAY, np.array([unit.pk], dtype=np.float64)))
    distance, hours = found
    assert np.isfinite(distance["due_on"][0])
    for name in SAME:
        np.testing.assert_allclose(hours[name], distance[name], rtol=1e-9, err_msg=name)


def close(yard, unit) -> LastService:
    report = JobReport(
        method="drain-and-refill", done_on=TODAY, in_l=3.6, out_l=3.6, level_temp_c=80.0, level_reading_mm=0.0,
        leak_checked=True, road_tested=True, meter_text="100000", done_by="Bea",
    )  # fmt: skip
    job_close(PersonFactory(role="foreman", depots=[yard.depot]), unit, report)
    return LastService.objects.get(unit=unit)


def test_a_job_that_renewed_little_earns_no_more_than_it_would_by_distance(yard, unit):
    """By hand: 54 000 km carry a change of 3.6 L (share f): what was left, 4 000 km, and f of 54 000."""
    by_hours()
    due_refresh_now([Vehicle.objects.get().pk])
    last = close(yard, unit)
    assert (last.unit_km, last.unit_h) == (100_000.0, None)
    earned_km = 4_000 + last.fresh_share * LIMIT_H * KM_H
    assert last.run_limit_h * KM_H == pytest.approx(earned_km)
    inputs = gather(TODAY, Fitting.objects.all())
    assert inputs.hours.next_run[0] * KM_H == pytest.approx(
        min(earned_km, LIMIT_H * KM_H - (1 - last.fresh_share) * 50_000)
    )


def test_the_odometer_has_to_be_read_at_its_job(yard, unit):
    by_hours()
    Meter.objects.get().readings.filter(read_on__gt="2026-01-15").delete()
    report = JobReport(
        method="drain-and-refill", done_on=TODAY, in_l=3.6, out_l=3.6, level_temp_c=80.0, level_reading_mm=0.0,
        leak_checked=True, road_tested=True, done_by="Bea",
    )  # fmt: skip
    with pytest.raises(InputError, match="No odometer reading is new enough"):
        job_close(PersonFactory(role="foreman", depots=[yard.depot]), unit, report)


def test_page_sentence_and_api_say_that_it_is_a_guess(yard, unit, client):
    by_hours()
    due_refresh_now([Vehicle.objects.get().pk])
    line = told_line(TODAY)
    assert line.sentence.startswith("2 777.8 of 3 000.0 h since")
    assert NOTE in line.sentence
    client.force_login(PersonFactory(role="foreman", depots=[yard.depot]))
    page = client.get(f"/units/{unit.code}").content.decode()
    assert "guessed from distance at 18 km/h" in page.replace("\N{NO-BREAK SPACE}", " ")
    (own,) = client.get(f"/api/v1/units/{unit.code}").json()["due_lines"]
    (clock_row,) = own["facts"]["clocks"]
    assert (clock_row["clock"], clock_row["guessed_at_km_h"]) == ("hours", KM_H)
    assert NOTE in own["sentence"]


def test_an_hour_meter_ends_the_guessing_and_no_speed_begins_none(unit):
    by_hours()
    Vehicle.objects.update(average_speed_km_h=None)
    assert np.isnan(gather(TODAY, Fitting.objects.all()).hours.since_at_reading[0])
    Vehicle.objects.update(average_speed_km_h=KM_H)
    assert gather(TODAY, Fitting.objects.all()).hours.since_at_reading[0] * KM_H == pytest.approx(50_000)
    meter = MeterFactory(vehicle=Vehicle.objects.get(), kind=Meter.Kind.HOURS, shown_in="h")
    ReadingFactory(meter=meter, read_at=NOW, raw_value=4_000)
    assert np.isnan(gather(TODAY, Fitting.objects.all()).hours.since_at_reading[0])


def test_plain_records_come_to_the_same(unit):
    by_hours()
    rows, records = gather(TODAY, Fitting.objects.all()), gather_records(TODAY, [unit.pk])
    for one in ("interval", "since_at_reading", "next_run", "segment_rates"):
        np.testing.assert_array_equal(getattr(rows.hours, one), getattr(records.hours, one))
    assert records.lines[0].guess_km_h == KM_H
