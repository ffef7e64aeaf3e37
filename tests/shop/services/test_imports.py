"""Loading folders of CSV files: counts, refusals, repeats, dry runs and both modes."""

import pytest

from shop.models import (
    ChangeRecord,
    Depot,
    Fitting,
    ImportRun,
    IntervalRule,
    Meter,
    Person,
    Product,
    Reading,
    Specification,
    StockMovement,
    Unit,
    UnitModel,
    Vehicle,
)
from shop.services.imports.tables import TABLES
from tests.shop.services.small_fleet import FLEET, TWO_ROWS, counts, load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]


def everything():
    models = [Depot, Person, Product, Vehicle, Unit, Meter, Reading, ChangeRecord, ImportRun, StockMovement]
    return [model.objects.count() for model in models]


def test_a_folder_goes_in_whatever_the_order_of_its_rows(fleet):
    assert fleet.is_written
    assert Depot.objects.get(code="LY").stores_at.code == "UY"
    assert Specification.objects.get(code="TBF-1").replaced_by.code == "TBF-3"
    mara = Person.objects.get(username="mara")
    assert {depot.code for depot in mara.depots.all()} == {"UY", "LY"}
    assert not mara.has_usable_password()
    assert [one.specification.code for one in UnitModel.objects.get().requirements.all()] == ["TBF-3"]
    assert Fitting.objects.get(unit__code="K01-TB6").vehicle.number == "K01"
    assert IntervalRule.objects.get().versions.get().interval_km == 60_000


def test_the_same_folder_twice_changes_nothing(fleet):
    before = everything()
    again = load(FLEET)
    assert {(one["added"], one["changed"], one["refused"]) for one in counts(again).values()} == {(0, 0, 0)}
    assert all(one["unchanged"] == one["rows"] for one in counts(again).values())
    assert everything() == before
    assert not again.is_written


def test_every_row_leaves_a_change_record(fleet):
    run = ImportRun.objects.get()
    assert run.counts["vehicles.csv"]["added"] == 2
    assert ChangeRecord.objects.filter(import_run=run).count() == ChangeRecord.objects.count()
    vehicle = ChangeRecord.objects.get(table="vehicle", key="K01")
    assert (vehicle.action, vehicle.before, vehicle.after["depot"]) == ("added", {}, "UY")
    load({"vehicles.csv": "vehicle,depot\nK01,LY\n"})
    changed = ChangeRecord.objects.get(table="vehicle", action="changed")
    assert (changed.before, changed.after) == ({"depot": "UY"}, {"depot": "LY"})


def test_a_column_not_in_the_file_is_left_alone(fleet):
    report = load({"vehicles.csv": "vehicle,note\nK01,quiet\nK02,\n"})
    assert counts(report)["vehicles.csv"]["changed"] == 1
    vehicle = Vehicle.objects.get(number="K01")
    assert (vehicle.name, vehicle.note) == ("Vallowend 35 van", "quiet")


def test_a_new_row_needs_the_columns_every_vehicle_has(fleet):
    report = load({"vehicles.csv": "vehicle,note\nK03,new\n"}, mode="good-rows-in")
    assert {one.column for one in report.refusals} == {"depot", "name", "kind"}
    assert not Vehicle.objects.filter(number="K03").exists()


def test_two_rows_one_bad_one_row_in_and_one_sentence(fleet):
    report = load(TWO_ROWS, mode="good-rows-in")
    assert counts(report)["readings.csv"] == {
        "rows": 2, "added": 1, "changed": 0, "unchanged": 0, "refused": 1, "asked": 0,
    }  # fmt: skip
    (sentence,) = sentences(report)
    assert sentence.startswith("readings.csv: Row 3, value: ")
    assert "comma" in sentence
    assert Reading.objects.filter(read_on="2026-03-09").count() == 1


def test_all_or_nothing_writes_nothing_when_a_row_is_bad(fleet):
    before = everything()
    report = load(TWO_ROWS)
    assert len(report.refusals) == 1
    assert not report.is_written
    assert everything() == before


def test_a_dry_run_reports_the_same_and_leaves_nothing():
    empty = everything()
    dry = load(FLEET, is_dry_run=True)
    assert everything() == empty
    assert not dry.is_written
    assert counts(dry) == counts(load(FLEET))


def test_a_row_that_depends_on_a_refused_row_says_so():
    files = FLEET | {"vehicles.csv": "vehicle,depot,name,kind\nK01,XX,a,van\nK02,UY,b,van\n"}
    report = load({**files, "readings.csv": "vehicle,meter,read_at,value\n"}, mode="good-rows-in")
    unit = next(one for one in report.refusals if one.file == "units.csv")
    assert "“K01” was itself refused (vehicles.csv, row 2)" in unit.sentence
    assert [one.code for one in Unit.objects.all()] == ["K02-TB6"]


def test_a_depot_whose_shelf_depot_is_refused_goes_out_with_it():
    report = load(
        {
            "depots.csv": "depot,name,time_zone,stores_at\nLY,Lower,UTC,UY\nUY,Upper,Nowhere/Land,\nZY,Z,UTC,\n"
        },
        mode="good-rows-in",
    )
    assert {(one.row, one.column) for one in report.refusals} == {(2, "stores_at"), (3, "time_zone")}
    assert [depot.code for depot in Depot.objects.all()] == ["ZY"]


@pytest.mark.parametrize(
    ("file", "text", "row", "column", "words"),
    [
        ("vehicles.csv", "vehicle,depot\nK01,UYY\n", 2, "depot", "Did you mean “UY”"),
        ("depots.csv", "depot,name,purge_l\nUY,Upper,-0.2\n", 2, "purge_l", "allowed: 0 or more"),
        ("vehicles.csv", "vehicle,note\nK01,a\nK01,b\n", 3, "vehicle", "row 2 is about the same"),
        ("vehicles.csv", "vehicle,odometer_unit\nK01,mi\n", 2, "odometer_unit", "meter_changes.csv"),
        ("vehicles.csv", "vehicle,turns_up_share\nK01,1.2\n", 2, "turns_up_share", "1 at most"),
        ("vehicles.csv", "vehicle,depot,name,kind\n" + "x" * 25 + ",UY,a,van\n", 2, "vehicle", "24 at most"),
        ("readings.csv", "vehicle,meter,read_at,value\nK01,engine hours,2026-03-02,5\n", 2, "meter", "no engine"),
        ("readings.csv", "vehicle,meter,read_at,value\nK01,odometer,2026-03-02,-4\n", 2, "value", "zero or more"),
        (
            "readings.csv",
            "vehicle,meter,read_at,value,source\nK01,odometer,2026-03-02 05:00,1,telematics\n",
            2, "value", "never overwritten",
        ),
        ("packs.csv", "supplier,product,size,unit,price\nBrinnock,F01,6,qt,9\n", 2, "unit", "US qt or imp qt"),
        ("packs.csv", "supplier,product,size,unit,price\nBrinnock,F01,1,gal,9\n", 2, "unit", "US gal or imp gal"),
        (
            "unit_card.csv",
            "model,unit,figure,value,unit_of_measure,source\nTB6,,sump_l,14,L,maker\n",
            2, "value", "contradicts itself",
        ),
        (
            "unit_card.csv",
            "model,unit,figure,value,unit_of_measure,source\nTB6,K01-TB6,sump_l,4,L,maker\n",
            2, "model", "either model or unit",
        ),
        (
            "unit_card.csv",
            "model,unit,figure,value,unit_of_measure,source\nTB6,,sum_l,4,L,maker\n",
            2, "figure", "Did you mean “sump_l”",
        ),
        (
            "unit_card.csv",
            "model,unit,figure,value,unit_of_measure,source\nTB6,,stick_ref_c,176,°F,maker\n",
            2, "unit_of_measure", "°C",
        ),
        ("rules.csv", "model,applies_from,distance,hours,months\nTB6,2020-01-01,,,\n", 2, "distance", "at least one"),
        (
            "rules.csv",
            "model,applies_from,months,cap_share\nTB6,2020-01-01,12,1.5\n",
            2, "cap_signed_by", "named person",
        ),
        ("specifications.csv", "specification,kind,replaced_by\nTBF-3,maker,TBF-1\n", 2, "replaced_by", "circle"),
        ("units.csv", "unit,model,vehicle,position\nN1,TB6,K01,gearbox\n", 2, "", "one unit per position"),
        ("last_services.csv", "unit,subject,done_on\nK01-TB6,x,2026-01-01\n", 2, "fresh_share", "method"),
        (
            "last_services.csv",
            "unit,done_on,odometer,method\nK01-TB6,2026-01-01,9,overnight drain + cooler-line exchange\n",
            2, "new_fluid_l", "needs the litres",
        ),
        ("stock.csv", "depot,product,label,pack_size_l,on_shelf_l\nUY,F01,A1,20,-1\n", 2, "on_shelf_l", "0 or more"),
        ("stock.csv", "depot,product,label,pack_size_l,on_shelf_l,quarantined\nUY,F01,A1,20,1,0\n", 2,
         "quarantined", "yes nor no"),
        ("people.csv", "sign_in,mail,gets_daily_mail\nmara,,yes\n", 2, "mail", "daily mail"),
        ("people.csv", "sign_in,depots\nmara,UY;XX\n", 2, "depots", "no depot “XX”"),
        ("jobs.csv", "job,unit,state,kind\nJ1,K01-TB6,handed back,service\n", 2, "done_on", "was done on a day"),
        ("holds.csv", "vehicle,unit,kind,reason,from_day\nK01,K02-TB6,recall,x,2026-01-01\n", 2, "unit", "not in K01"),
        ("reservations.csv", "depot,unit,product,litres,made_on\nUY,K01-TB6,F01,0,2026-03-01\n", 2, "litres",
         "more than 0"),
        ("closed_days.csv", "depot,supplier,day\nUY,Brinnock,2026-04-06\n", 2, "depot", "either depot or supplier"),
        ("severity.csv", "unit,reason,factor,source,applies_from\nK01-TB6,towing,0,house,2026-01-01\n", 2, "factor",
         "0.5 or more"),
    ],
)  # fmt: skip
def test_a_bad_row_is_refused_by_row_and_column_with_a_remedy(fleet, file, text, row, column, words):
    before = everything()
    report = load({file: text}, mode="good-rows-in")
    assert [(one.file, one.row, one.column) for one in report.refusals] == [(file, row, column)]
    assert words in report.refusals[0].sentence
    if counts(report)[file]["rows"] == 1:
        assert everything() == before


@pytest.mark.parametrize(
    ("file", "text", "words"),
    [
        ("vehicle.csv", "vehicle\n", "Did you mean “vehicles.csv”"),
        ("vehicles.csv", "vehicle,colour\n", "“colour” is not known"),
        ("readings.csv", "vehicle,value\n", "meter, read_at is missing"),
        ("as_of.txt", "soon", "2026-03-02 05:30"),
    ],
)
def test_a_file_that_cannot_be_used_gives_one_sentence(file, text, words):
    report = load({file: text})
    (sentence,) = sentences(report)
    assert sentence.startswith(f"{file}: ")
    assert words in sentence


def test_a_thousand_readings_take_few_queries(fleet, django_assert_max_num_queries):
    days = [f"2025-{month:02}-{day:02}" for month in range(1, 11) for day in range(1, 29)]
    lines = [
        f"K01,odometer,{day} {hour:02}:00,{20_000 + 150 * place + 4 * hour}"
        for place, day in enumerate(days)
        for hour in range(0, 24, 6)
    ]
    text = "vehicle,meter,read_at,value\n" + "\n".join(lines) + "\n"
    with django_assert_max_num_queries(60):
        report = load({"readings.csv": text})
    assert counts(report)["readings.csv"]["added"] == len(lines) == 1_120


def test_every_table_of_the_demo_is_declared_once():
    names = [table.file for table in TABLES]
    assert len(names) == len(set(names)) == 34
