"""What single tables make of their rows: units of measure, shares, swaps, lists, local times."""

import pytest

from shop import clock
from shop.models import (
    CardFigure,
    ChangeRecord,
    Fitting,
    IntervalRule,
    Job,
    LastService,
    Meter,
    Pack,
    Person,
    Reading,
    Recall,
    RuleVersion,
    SeverityFactor,
    StockItem,
    StockMovement,
    TemperatureHours,
    UnitModel,
)
from tests.shop.services.small_fleet import FLEET, counts, load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]


def test_packs_keep_the_print_and_hold_litres(fleet):
    # 1 US quart = 0.946352946 L (NIST Handbook 44, appendix C).
    pack = Pack.objects.get(printed="1 US qt")
    assert pack.size_l == pytest.approx(0.946352946)


def test_card_litres_may_be_typed_in_gallons(fleet):
    # 1 US gallon = 3.785411784 L, imperial gallon 4.54609 L (NIST Handbook 44, appendix C).
    load({
        "unit_card.csv": "model,unit,figure,value,unit_of_measure,source\n"
        "TB6,,heel_l,0.1,US gal,house\n,K01-TB6,heel_l,0.1,imp gal,learned\n"
    })  # fmt: skip
    assert CardFigure.objects.get(figure="heel_l", unit=None).value == pytest.approx(0.3785411784)
    assert CardFigure.objects.get(unit__code="K01-TB6").value == pytest.approx(0.454609)


def test_rule_in_miles_is_kept_in_km_and_a_new_version_stands_beside_the_old(fleet):
    report = load({"rules.csv": "model,applies_from,distance,distance_unit\nTB6,2026-01-01,50000,mi\n"})
    assert counts(report)["rules.csv"]["added"] == 1
    assert IntervalRule.objects.count() == 1
    assert RuleVersion.objects.get(applies_from="2026-01-01").interval_km == pytest.approx(80_467.2)


def test_last_service_takes_the_share_of_the_method_and_carries_the_age(fleet):
    # Reference calculation: one drain of 3.6 L out of 11.2 L renews 0.3214; 96 400 km before leave 65 414 km.
    load({
        "last_services.csv": "unit,done_on,odometer,method,new_fluid_l,fresh_share,age_before_km,age_before_days\n"
        "K01-TB6,2026-01-14,125000,drain-and-refill,,,96400,\n"
    })  # fmt: skip
    service = LastService.objects.get()
    assert service.fresh_share == pytest.approx(3.6 / 11.2)
    assert service.age_km == pytest.approx(65_414, abs=1)
    assert service.age_days is None
    assert service.age_h is None
    assert [parcel["share"] for parcel in service.parcels] == pytest.approx([3.6 / 11.2, 7.6 / 11.2])


def test_last_service_counts_through_a_meter_swap_and_the_unit_swap(fleet):
    # Arithmetic: shown 1 009 on a meter that began at 9 after 131 500 km is 132 500 km true, the unit having been
    # fitted at 132 000 with 40 000 behind it: 40 500.
    load({
        "meter_changes.csv": "vehicle,meter,day,kind,last_old,first_new\nK01,odometer,2026-03-03,replaced,131500,9\n",
        "units.csv": "unit,model,vehicle,position,fitted_on,vehicle_km_at_fit,unit_km_at_fit\n"
        "K01-TB6,TB6,,,,,\nN1,TB6,K01,second gearbox,2026-03-04,132000,40000\n",
        "last_services.csv": "unit,done_on,odometer,fresh_share\nN1,2026-03-05,1009,1\n",
    })  # fmt: skip
    assert LastService.objects.get(unit__code="N1").unit_km == pytest.approx(40_500)


def test_a_swapped_unit_closes_its_old_fitting_and_keeps_it(fleet):
    swap = (
        "unit,model,vehicle,position,fitted_on,vehicle_km_at_fit,unit_km_at_fit\n"
        "K02-TB6,TB6,,,,,\nK01-TB6,TB6,K02,spare gearbox,2026-03-02,80000,131400\n"
    )
    report = load({"units.csv": swap})
    assert sentences(report) == []
    old, new = Fitting.objects.filter(unit__code="K01-TB6").order_by("id")
    assert (old.vehicle.number, str(old.removed_on)) == ("K01", "2026-03-02")
    assert (new.vehicle.number, new.removed_on, new.unit_km_at_fit) == ("K02", None, 131_400)
    assert counts(load({"units.csv": swap}))["units.csv"]["changed"] == 0


def test_a_swap_needs_its_day_and_the_total_at_it(fleet):
    report = load({"units.csv": "unit,model,vehicle,position\nK01-TB6,TB6,K02,spare\n"}, mode="good-rows-in")
    assert [one.column for one in report.refusals] == ["fitted_on"]
    report = load(
        {"units.csv": "unit,model,vehicle,position,fitted_on\nK01-TB6,TB6,K02,spare,2026-03-02\n"},
        mode="good-rows-in",
    )
    assert [one.column for one in report.refusals] == ["vehicle_km_at_fit"]


def test_meter_changes_work_the_totals_out_again_in_the_same_load(fleet):
    load({"readings.csv": "vehicle,meter,read_at,value\nK01,odometer,2026-03-08,5274\n"})
    assert Reading.objects.get(read_on="2026-03-08").status == "asked"
    load({
        "meter_changes.csv": "vehicle,meter,day,kind,last_old,first_new\nK01,odometer,2026-03-05,replaced,131800,4700\n"
    })  # fmt: skip
    reading = Reading.objects.get(read_on="2026-03-08")
    assert (reading.status, reading.true_total) == ("accepted", 132_374)


def test_local_times_are_the_depots(fleet):
    # Central European Time is UTC+1 in winter (IANA time zone database).
    reading = Reading.objects.get(raw_value=131_400)
    assert reading.read_at.isoformat() == "2026-03-02T04:00:00+00:00"
    assert str(reading.read_on) == "2026-03-02"


def test_a_counted_shelf_is_booked_as_a_movement(fleet):
    load({"stock.csv": "depot,product,label,pack_size_l,on_shelf_l\nUY,F01,A1,20,12.5\n"})
    assert StockItem.objects.get().on_shelf_l == 12.5
    assert sorted(StockMovement.objects.values_list("litres", flat=True)) == [-7.5, 20.0]


def test_a_list_cell_replaces_the_list(fleet):
    report = load({"people.csv": "sign_in,depots\nmara,LY\n"})
    assert counts(report)["people.csv"]["changed"] == 1
    assert [depot.code for depot in Person.objects.get(username="mara").depots.all()] == ["LY"]
    record = ChangeRecord.objects.get(table="person", action="changed")
    assert (sorted(record.before["depots"]), record.after["depots"]) == (["LY", "UY"], ["LY"])


JOB = "job,unit,state,state_since\nJ1,K01-TB6,empty,2026-02-27 15:40\n"


def test_loading_again_does_not_take_back_what_was_done_since(fleet):
    assert sentences(load({"jobs.csv": JOB})) == []
    job = Job.objects.get(code="J1")
    assert (job.vehicle.number, job.state_since.isoformat()) == ("K01", "2026-02-27T14:40:00+00:00")
    job.state, job.state_since, job.done_on = "handed back", clock.now(), "2026-03-09"
    job.save()
    LastService.objects.update(done_on="2026-03-09", unit_km=131_900, job=job)
    report = load(FLEET | {"jobs.csv": JOB})
    assert {(one["changed"], one["refused"]) for one in counts(report).values()} == {(0, 0)}
    job.refresh_from_db()
    assert job.state == "handed back"
    assert LastService.objects.get().unit_km == 131_900


def test_a_job_moves_on_when_the_file_says_since_when(fleet):
    load({"jobs.csv": JOB})
    load({"jobs.csv": "job,unit,state,state_since\nJ1,K01-TB6,part filled,2026-03-02 07:40\n"})
    assert Job.objects.get(code="J1").state == "part filled"


def test_a_severity_factor_may_end(fleet):
    head = "unit,reason,factor,source,applies_from,ends_on\n"
    assert sentences(load({"severity.csv": f"{head}K01-TB6,towing,1.3,house,2026-01-01,2026-02-01\n"})) == []
    assert str(SeverityFactor.objects.get().ends_on) == "2026-02-01"
    refused = load({"severity.csv": f"{head}K01-TB6,hills,1.15,house,2026-01-01,2026-01-01\n"})
    assert "ends_on" in str(sentences(refused))


def test_temperature_hours_keep_the_hours_not_seen_apart(fleet):
    file = {"temperature_hours.csv": "unit,month,temp_c,hours\nK01-TB6,2026-01,86,100\nK01-TB6,2026-01,,20\n"}
    assert sentences(load(file)) == []
    assert sorted(TemperatureHours.objects.values_list("temp_c", "hours"), key=str) == [
        (86.0, 100.0),
        (None, 20.0),
    ]
    assert counts(load(file))["temperature_hours.csv"]["added"] == 0
    assert "month" in str(
        sentences(load({"temperature_hours.csv": "unit,month,temp_c,hours\nK01-TB6,May,86,1\n"}))
    )


def test_recalls_name_unit_models_and_vehicles(fleet):
    head = "recall,title,source,kind,from_day,changes_from,unit_models,vehicles\n"
    file = {"recalls.csv": f"{head}R1,pump seal,maker's notice,stop-drive,2026-03-01,,TB6,K01;K02\n"}
    assert sentences(load(file)) == []
    recall = Recall.objects.get()
    assert [model.code for model in recall.unit_models.all()] == ["TB6"]
    assert [vehicle.number for vehicle in recall.vehicles.all()] == ["K01", "K02"]
    assert counts(load(file))["recalls.csv"]["added"] == 0
    refused = load({
        "recalls.csv": f"{head}R2,x,y,stop-drive,2026-03-01,2026-04-01,TB6,\nR3,x,y,stop-drive,2026-03-01,,,\n"
        "R4,x,y,urgent,2026-03-01,,TB6,\n"
    })  # fmt: skip
    told = sentences(refused)
    assert len(told) == 3
    assert "changes_from" in told[0]
    assert "unit_models" in told[1]
    assert "kind" in told[2]


def test_a_deferral_is_signed_and_ends(fleet):
    head = "vehicle,unit,kind,reason,from_day,until,signed_by\n"
    told = sentences(
        load({
            "holds.csv": f"{head}K01,K01-TB6,deferral,x,2026-03-01,,Ines\n"
            "K01,K01-TB6,deferral,x,2026-03-02,2026-04-01,\n"
        })
    )  # fmt: skip
    assert "until" in told[0]
    assert "signed_by" in told[1]


def test_a_cadence_is_one_of_two(fleet):
    head = "model,applies_from,distance,distance_unit,cadence\n"
    assert sentences(load({"rules.csv": f"{head}TB6,2026-04-01,60000,km,from the scheduled point\n"})) == []
    assert RuleVersion.objects.get(applies_from="2026-04-01").cadence == RuleVersion.Cadence.FROM_SCHEDULED
    assert "cadence" in str(sentences(load({"rules.csv": f"{head}TB6,2026-05-01,60000,km,sometimes\n"})))


PUMPS = {
    "unit_models.csv": "model,name,kind,hours_meter\nHP1,Pump,hydraulics,power take-off hours\n",
    "vehicles.csv": "vehicle,depot,name,kind,odometer_unit,hour_meter,take_off_meter,take_off_rolls_over_at,"
    "class_take_off_h_per_day,average_speed_km_h\nT01,UY,Sweeper,sweeper,km,h,hh:mm,10000,1.5,9\n",
    "units.csv": "unit,model,vehicle,position,fitted_on,vehicle_km_at_fit,vehicle_h_at_fit\n"
    "T01-HP1,HP1,T01,pump,2025-01-01,1000,200\n",
    "readings.csv": "vehicle,meter,read_at,value\nT01,power take-off hours,2026-03-02 05:00,1204:30\n",
    "last_services.csv": "unit,done_on,hours,fresh_share\nT01-HP1,2025-06-01,900:00,1\n",
    "jobs.csv": "job,unit,state,done_on,hours\nJ1,T01-HP1,handed back,2025-06-01,900:00\n",
}


def test_take_off_hours_have_their_meter_and_count_for_the_units_that_name_it(fleet):
    report = load(PUMPS)
    assert sentences(report) == []
    meter = Meter.objects.get(vehicle__number="T01", kind="power take-off hours")
    assert (meter.shown_in, meter.rolls_over_at, meter.class_rate_per_day) == ("hh:mm", 10_000.0, 1.5)
    assert meter.vehicle.average_speed_km_h == 9.0
    assert Reading.objects.get(meter=meter).true_total == 1_204.5
    # 900 h on the take-off, 200 of them before it was fitted.
    assert LastService.objects.get(unit__code="T01-HP1").unit_h == 700.0
    assert Job.objects.get(code="J1").unit_h == 700.0


def test_hours_of_a_meter_that_is_not_there_are_refused_with_the_column_that_gives_it(fleet):
    meters = "vehicle,depot,name,kind,odometer_unit,hour_meter\nT01,UY,Sweeper,sweeper,km,h\n"
    report = load({**PUMPS, "vehicles.csv": meters})
    told = "vehicle T01 has no power take-off hours meter; correct the row, or give the vehicle its take_off_meter"
    assert sum(told in one for one in sentences(report)) == 3
    assert not Reading.objects.filter(meter__vehicle__number="T01").exists()


def test_a_model_keeps_its_meter_once_hours_of_it_are_on_record(fleet):
    load(PUMPS)
    other = {"unit_models.csv": "model,name,kind,hours_meter\nHP1,Pump,hydraulics,engine hours\n"}
    assert "jobs or fittings of HP1 have power take-off hours on record" in sentences(load(other))[0]
    assert UnitModel.objects.get(code="HP1").hours_meter == "power take-off hours"
    (refused,) = sentences(
        load({"unit_models.csv": "model,name,kind,hours_meter\nHP2,Pump,hydraulics,odometer\n"})
    )
    assert "engine hours, power take-off hours" in refused
