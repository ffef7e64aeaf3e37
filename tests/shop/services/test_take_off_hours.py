"""Power take-off hours apart from engine hours: their meter, the units that count by it, and their jobs."""

import datetime

import pytest
from django.db import transaction

from shop.errors import InputError
from shop.models import Fitting, Job, LastService, Meter, Reading, RuleVersion, Season, UnitModel, Vehicle
from shop.selectors.core_inputs import gather
from shop.selectors.meters import whose_may_be
from shop.services.due import due_refresh_now
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from shop.services.readings import reading_answer, reading_move, reading_record
from tests.factories import (
    FittingFactory,
    IntervalRuleFactory,
    MeterFactory,
    ReadingFactory,
    RuleVersionFactory,
    UnitFactory,
    UnitModelFactory,
    VehicleFactory,
)
from tests.lines import told_line
from tests.shop.services.test_meter_change_after_jobs import assert_same, state
from tests.shop.services.test_samples import Bay

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

TODAY = datetime.date(2026, 3, 9)
PUMP_JOB = {"method": "drain-and-refill", "out_l": 3.5, "in_l": 3.5}


def hour_meter(
    vehicle: Vehicle, kind: Meter.Kind, total: float, per_day: float, shown_in: str = "h"
) -> Meter:
    """Give a vehicle an hour meter read weekly for a quarter, the last time two days before today."""
    meter = MeterFactory(vehicle=vehicle, kind=kind, shown_in=shown_in, class_rate_per_day=per_day)
    last = datetime.datetime(2026, 3, 7, 4, tzinfo=datetime.UTC)
    for week in range(14):
        read_at = last - datetime.timedelta(days=7 * week)
        ReadingFactory(meter=meter, read_at=read_at, raw_value=total - 7 * week * per_day)
    return meter


@pytest.fixture
def bay() -> Bay:
    """A van whose unit is driven by its power take-off and due every 400 of its hours; it has all three meters."""
    bay = Bay()
    UnitModel.objects.update(hours_meter=Meter.Kind.TAKE_OFF)
    RuleVersion.objects.update(interval_km=None, interval_h=400)
    vehicle = Vehicle.objects.get()
    hour_meter(vehicle, Meter.Kind.HOURS, 5_000, 8.0)
    hour_meter(vehicle, Meter.Kind.TAKE_OFF, 1_200, 2.0)
    LastService.objects.update(unit_h=840.0)
    return bay


def take_off_of(number: str) -> Meter:
    return Meter.objects.get(vehicle__number=number, kind=Meter.Kind.TAKE_OFF)


def test_the_sentence_names_the_hours_it_counts(bay):
    """By hand: 1 200 - 840 = 360 h at the reading of 7 March, 40 left at 2 a day make 27 March."""
    due_refresh_now([Vehicle.objects.get().pk])
    line = told_line(TODAY)
    assert line.due_on == datetime.date(2026, 3, 27)
    assert line.sentence.startswith(
        "364.0 of 400.0 power take-off hours since 14 Jan 2025; 2.0 h/day → 27 Mar"
    )
    (clock,) = [one for one in line.facts["clocks"] if one["clock"] == "hours"]
    assert (clock["hours_meter"], clock["guessed_at_km_h"]) == ("power take-off hours", None)
    take_off_of("K01").readings.all().delete()
    due_refresh_now([Vehicle.objects.get().pk])
    assert "power take-off hours: run since the last job unknown" in told_line(TODAY).sentence


def test_engine_hours_never_stand_in(bay):
    Meter.objects.filter(kind=Meter.Kind.TAKE_OFF).delete()
    Vehicle.objects.update(average_speed_km_h=18.0)
    inputs = gather(TODAY, Fitting.objects.all())
    assert inputs.lines[0].hour_meter is None
    assert str(inputs.hours.since_at_reading[0]) == "nan"


def test_a_job_asks_for_and_keeps_what_its_own_meter_shows(bay):
    take_off_of("K01").readings.filter(read_on__gt="2026-01-31").delete()
    with pytest.raises(InputError, match="No power take-off hours reading is new enough") as refused:
        bay.close(done_on=TODAY, meter_text="100200", **PUMP_JOB)
    assert list(refused.value.fields) == ["hours_text"]
    job = bay.close(done_on=TODAY, meter_text="100200", hours_text="1204.5", **PUMP_JOB)
    assert (job.unit_h, job.unit_km) == (1_204.5, 100_200.0)
    assert LastService.objects.get().unit_h == 1_204.5
    typed = Reading.objects.get(raw_text="1204.5")
    assert typed.meter == take_off_of("K01")


def test_fluid_of_unknown_history_is_as_old_as_its_own_meters_say(bay):
    """By hand: 1 200 h at 2 a day are 600 days; 100 000 km at 150 a day 667; engine hours, 625 days, are not asked."""
    LastService.objects.all().delete()
    Meter.objects.filter(kind=Meter.Kind.ODOMETER).delete()
    hours = Meter.objects.get(kind=Meter.Kind.HOURS)
    hours.readings.update(true_total=90_000)
    job = bay.close(done_on=TODAY, meter_text="1204", **PUMP_JOB)
    last = LastService.objects.get()
    assert last.age_h == pytest.approx((1 - job.fresh_share) * 1_204)
    assert last.age_days == pytest.approx((1 - job.fresh_share) * 602, rel=0.01)


def change(bay: Bay, kind: Meter.Kind):
    """Note that the meter was replaced by one that showed 40 h more, of the engine 80 h."""
    last_old, first_new = ("1130", "1170") if kind == Meter.Kind.TAKE_OFF else ("4720", "4800")
    day, meter = datetime.date(2026, 2, 1), Meter.objects.get(kind=kind)
    given = {"day": day, "kind": "replaced", "last_old": last_old, "first_new": first_new}
    return meter_change_enter(bay.foreman, meter, **given).change


@pytest.mark.parametrize("kind", [Meter.Kind.TAKE_OFF, Meter.Kind.HOURS])
def test_a_change_noted_after_a_job_moves_what_counts_by_that_meter(bay, kind):
    """The independent way to the same state: the change first, then the job."""
    states = []
    for is_first in (True, False):
        with transaction.atomic():
            Reading.objects.filter(meter__kind=kind, read_on__gte="2026-02-01").delete()
            if is_first:
                change(bay, kind)
            text = "1244" if kind == Meter.Kind.TAKE_OFF else "1204"
            bay.close(done_on=TODAY, meter_text="100200", hours_text=text, **PUMP_JOB)
            if not is_first:
                change(bay, kind)
            states.append(state())
            transaction.set_rollback(True)
    assert_same(*states)
    (_, _, unit_h, _) = states[0]["jobs"][0]
    assert unit_h == 1_204.0


def test_units_of_one_vehicle_move_each_with_its_own_meter(bay):
    vehicle = Vehicle.objects.get()
    engine = UnitFactory(unit_model=UnitModelFactory(kind=UnitModel.Kind.ENGINE))
    day = datetime.date(2026, 2, 20)
    FittingFactory(unit=engine, vehicle=vehicle, position="engine", fitted_on=day, vehicle_h_at_fit=4_880)
    LastService.objects.create(unit=engine, done_on=day, unit_h=100.0)
    LastService.objects.filter(unit=bay.unit).update(done_on=day, unit_h=1_170.0)

    def totals() -> list[float]:
        own = [LastService.objects.get(unit=unit).unit_h for unit in (bay.unit, engine)]
        return [*own, Fitting.objects.get(unit=engine).vehicle_h_at_fit]

    noted = change(bay, Meter.Kind.TAKE_OFF)
    assert totals() == [1_130.0, 100.0, 4_880.0]
    meter_change_withdraw(bay.foreman, noted, "wrong van")
    assert totals() == [1_170.0, 100.0, 4_880.0]
    change(bay, Meter.Kind.HOURS)
    assert totals() == [1_170.0, 20.0, 4_800.0]


def test_readings_are_judged_taken_back_and_moved_as_hours_are(bay):
    other = VehicleFactory(depot=bay.depot, number="K02")
    hour_meter(other, Meter.Kind.HOURS, 1_900, 2.0)
    theirs = hour_meter(other, Meter.Kind.TAKE_OFF, 1_950, 2.0)
    ours = take_off_of("K01")
    asked = reading_record(ours, "1953.5", source="driver")
    assert (asked.status, asked.question_code) == ("asked", "too_fast")
    assert whose_may_be([asked]) == {asked.pk: "K02"}
    moved = reading_move(asked, other, bay.foreman)
    assert (moved.status, moved.meter, moved.true_total) == ("accepted", theirs, 1_953.5)
    reading_answer(moved, "not a reading", bay.foreman)
    assert Reading.objects.get(pk=moved.pk).status == "refused"
    Meter.objects.filter(pk=ours.pk).update(shown_in="hh:mm")
    read = reading_record(take_off_of("K01"), "1204:30", source="workshop")
    assert (read.status, read.true_total) == ("accepted", 1_204.5)
    with pytest.raises(InputError, match="km"):
        reading_record(ours, "1206", source="fuel card", unit="km")


def test_what_is_typed_for_the_season_is_not_about_the_take_off(bay):
    """A gritter drives 220 km a day from November to March; its take-off has its own 2 h, and 1 h outside."""
    vehicle = Vehicle.objects.get()
    vehicle.season = Season.objects.create(
        code="winter", opens_month=11, opens_day=1, closes_month=3, closes_day=31
    )
    vehicle.in_season_per_day, vehicle.off_season_per_day = 220.0, 30.0
    vehicle.save()
    Meter.objects.filter(kind=Meter.Kind.TAKE_OFF).update(class_rate_per_day=1.0)
    inputs = gather(TODAY, Fitting.objects.all())
    rates = inputs.hours.segment_rates[0]
    assert rates[:2] == pytest.approx([2.0, 1.0])
    assert reading_record(take_off_of("K01"), "1300", source="driver").status == "asked"


def test_a_model_may_count_either_hours_on_one_vehicle(bay):
    vehicle = Vehicle.objects.get()
    rule = IntervalRuleFactory()
    RuleVersionFactory(rule=rule, interval_km=None, interval_months=None, interval_h=1_000)
    FittingFactory(unit=UnitFactory(unit_model=rule.unit_model), vehicle=vehicle, position="engine")
    inputs = gather(TODAY, Fitting.objects.all())
    kinds = {line.fitting.position: line.hour_meter.kind for line in inputs.lines}
    assert kinds == {"gearbox": "power take-off hours", "engine": "engine hours"}
    assert sorted(inputs.hours_usage.last_total.tolist()) == [1_200.0, 5_000.0]
    assert Job.objects.count() == 0
