"""A change of a meter moves what its readings stand for, and what was worked out from them; taken back, all returns."""

import datetime

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, Fitting, Job, LastService, Meter, MeterChange, Person, Reading
from shop.selectors.meter_usage import usage_of
from shop.selectors.meters import meters_shown, whose_may_be
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from shop.services.readings import reading_move, reading_record
from tests.factories import (
    DepotFactory,
    FittingFactory,
    MeterFactory,
    PersonFactory,
    ReadingFactory,
    VehicleFactory,
)

NOW = datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC)
CHANGED = datetime.date(2026, 1, 22)


def at(day: str) -> datetime.datetime:
    return datetime.datetime.combine(datetime.date.fromisoformat(day), datetime.time(4), datetime.UTC)


@pytest.fixture(autouse=True)
def held_clock():
    clock.pin(NOW)
    yield
    clock.pin(None)


@pytest.fixture
def meter(db: None) -> Meter:
    """A van at 148,320 km whose new cluster began at 9 in January and shows 5,274 now."""
    meter = MeterFactory(vehicle=VehicleFactory(depot=DepotFactory(code="UY"), number="K05", kind="van"))
    for day, value in (("2025-12-01", 140_000.0), ("2026-01-20", 148_000.0)):
        ReadingFactory(meter=meter, read_at=at(day), raw_value=value)
    return meter


@pytest.fixture
def mara(meter: Meter) -> Person:
    return PersonFactory(role=Person.Role.FLEET, depots=[meter.vehicle.depot])


def enter(mara: Person, meter: Meter, **changes: object):
    given = {"day": CHANGED, "kind": "replaced", "last_old": "148320", "first_new": "9"}
    return meter_change_enter(mara, meter, **(given | changes))


def test_the_reading_behind_a_new_cluster_counts_on_from_the_old_one(meter: Meter, mara: Person) -> None:
    """148,320 + 5,274 - 9 = 153,585, worked by hand; the raw reading stays what it was."""
    asked = reading_record(meter, "5274", source="driver", read_at=at("2026-03-02"))
    assert (asked.status, asked.question_code) == ("asked", "lower_than_last")
    done = enter(mara, meter, note="photo in the file")
    asked.refresh_from_db()
    assert (asked.status, asked.true_total, asked.raw_value) == ("accepted", 153_585.0, 5_274.0)
    assert done.sentence == "1 reading counted anew"
    assert "photo in the file" in [note.after.get("why") for note in ChangeRecord.objects.all()]


def test_taken_back_the_totals_return_and_why_stays(meter: Meter, mara: Person) -> None:
    asked = reading_record(meter, "5274", source="driver", read_at=at("2026-03-02"))
    done = enter(mara, meter)
    with pytest.raises(InputError, match="Say why"):
        meter_change_withdraw(mara, done.change, " ")
    meter_change_withdraw(mara, MeterChange.objects.get(), "another van")
    asked.refresh_from_db()
    assert (asked.status, asked.true_total) == ("asked", None)
    assert not MeterChange.objects.exists()
    note = ChangeRecord.objects.filter(after__withdrawn=True).get()
    assert (note.before["last_old"], note.after["why"]) == (148_320.0, "another van")


def test_totals_of_jobs_closed_since_move_with_the_readings_they_came_from(
    meter: Meter, mara: Person
) -> None:
    """A used cluster showed more than the old one, so its readings passed: 150,000 for 148,320, 1,680 km too many."""
    fitting = FittingFactory(vehicle=meter.vehicle)
    ReadingFactory(meter=meter, read_at=at("2026-02-10"), raw_value=150_500.0)
    day = datetime.date(2026, 2, 10)
    job = Job.objects.create(
        code="J1",
        unit=fitting.unit,
        vehicle=meter.vehicle,
        state="handed back",
        done_on=day,
        unit_km=150_500.0,
    )
    last = LastService.objects.create(unit=fitting.unit, done_on=day, unit_km=150_500.0, job=job)
    typed = LastService.objects.create(unit=FittingFactory(vehicle=meter.vehicle, position="axle").unit,
                                       done_on=day, unit_km=150_400.0)  # fmt: skip
    later = FittingFactory(
        vehicle=meter.vehicle, position="engine", fitted_on=day, vehicle_km_at_fit=150_450.0
    )
    earlier = LastService.objects.create(
        unit=FittingFactory(vehicle=meter.vehicle, position="brakes").unit,
        done_on=datetime.date(2026, 1, 2), unit_km=145_000.0,
    )  # fmt: skip
    done = enter(mara, meter, first_new="150000")
    for row in (job, last, typed, earlier, later):
        row.refresh_from_db()
    assert (job.unit_km, last.unit_km) == (148_820.0, 148_820.0)
    assert (typed.unit_km, later.vehicle_km_at_fit, earlier.unit_km) == (148_720.0, 148_770.0, 145_000.0)
    assert (done.readings, done.totals) == (1, 4)
    meter_change_withdraw(mara, done.change, "it was no cluster at all")
    job.refresh_from_db()
    later.refresh_from_db()
    assert (job.unit_km, later.vehicle_km_at_fit) == (150_500.0, 150_450.0)


@pytest.mark.parametrize("on_record", [10_000.0, None])
def test_an_hour_meter_that_rolled_over_counts_on(db: None, on_record: float | None) -> None:
    """9,999.9 then 41.3 is 10,041.3 on a meter of four wheels and a decimal, known or not, worked by hand."""
    meter = MeterFactory(kind=Meter.Kind.HOURS, shown_in="h", rolls_over_at=on_record)
    ReadingFactory(meter=meter, read_at=at("2025-10-01"), raw_value=9_999.9)
    mara = PersonFactory(role=Person.Role.FLEET)
    meter_change_enter(
        mara, meter, day=datetime.date(2025, 10, 8), kind="rolled over", last_old="9999.9", first_new="0"
    )
    assert reading_record(
        meter, "41.3", source="driver", read_at=at("2026-02-01")
    ).true_total == pytest.approx(10_041.3)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"last_old": "much"}, "last_old"),
        ({"first_new": ""}, "first_new"),
        ({"day": datetime.date(2026, 3, 3)}, "day"),
        ({"kind": "lost"}, "kind"),
        ({"kind": "rolled over", "last_old": "0"}, "last_old"),
        ({"last_old": "147000"}, "last_old"),
    ],
)
def test_a_change_that_cannot_be_names_its_field(
    meter: Meter, mara: Person, changes: dict, field: str
) -> None:
    with pytest.raises(InputError) as refused:
        enter(mara, meter, **changes)
    assert field in refused.value.fields
    assert not MeterChange.objects.exists()


def test_one_change_a_day_and_not_by_everybody(meter: Meter, mara: Person) -> None:
    enter(mara, meter)
    with pytest.raises(ConflictError, match="noted already"):
        enter(mara, meter)
    with pytest.raises(NotAllowed):
        enter(PersonFactory(role=Person.Role.APPRENTICE), meter, day=datetime.date(2026, 1, 23))


@pytest.fixture
def other(meter: Meter) -> Meter:
    """Another van of the yard, about 152,900 km by now."""
    other = MeterFactory(vehicle=VehicleFactory(depot=meter.vehicle.depot, number="K07", kind="van"))
    for week in range(9):
        day = datetime.date(2026, 3, 1) - datetime.timedelta(days=7 * week)
        ReadingFactory(meter=other, read_at=at(day.isoformat()), raw_value=152_800.0 - 1_050.0 * week)
    return other


def test_a_reading_of_another_vehicle_is_kept_where_keyed_and_counts_there(
    meter: Meter, other: Meter, mara: Person
) -> None:
    keyed = reading_record(meter, "152 900", source="driver", read_at=at("2026-03-02"), unit="km")
    moved = reading_move(keyed, other.vehicle, mara)
    keyed.refresh_from_db()
    assert (keyed.status, keyed.answer, keyed.true_total) == ("refused", "other vehicle K07", None)
    assert (moved.meter, moved.status, moved.raw_value, moved.source) == (
        other,
        "accepted",
        152_900.0,
        "driver",
    )
    with pytest.raises(ConflictError, match="settled already"):
        reading_move(keyed, other.vehicle, mara)
    assert Reading.objects.filter(read_at=at("2026-03-02")).count() == 2


def test_a_vehicle_without_that_meter_is_refused_and_nothing_moves(meter: Meter, mara: Person) -> None:
    keyed = reading_record(meter, "152900", source="driver", read_at=at("2026-03-02"))
    bare = VehicleFactory(depot=meter.vehicle.depot, number="K99")
    with pytest.raises(InputError, match="K99 has no meter for odometer"):
        reading_move(keyed, bare, mara)
    with pytest.raises(InputError, match="is where it was keyed"):
        reading_move(keyed, meter.vehicle, mara)
    keyed.refresh_from_db()
    assert keyed.answer == ""


def test_of_two_sources_on_a_day_one_counts_and_the_other_is_named(meter: Meter, mara: Person) -> None:
    """Driver 149,700 and telematics 149,100: the device's figure counts, not their mean of 149,400."""
    device = reading_record(meter, "149100", source="telematics", read_at=at("2026-03-01"))
    driver = ReadingFactory(
        meter=meter,
        read_at=at("2026-03-01") + datetime.timedelta(hours=6),
        raw_value=149_700.0,
        source="driver",
    )
    (shown,) = meters_shown(mara, "K05")
    assert shown.overruled == {driver.pk}
    assert usage_of([meter], datetime.date(2026, 3, 1))[meter.pk][2] == device.true_total == 149_100.0


def test_whose_it_may_be_is_said_only_when_it_fits_one(meter: Meter, other: Meter) -> None:
    keyed = Reading(pk=1, meter=meter, read_on=datetime.date(2026, 3, 2), raw_value=152_900.0)
    far = Reading(pk=2, meter=meter, read_on=datetime.date(2026, 3, 2), raw_value=153_900.0)
    assert whose_may_be([keyed, far]) == {1: "K07"}
    twin = MeterFactory(vehicle=VehicleFactory(depot=meter.vehicle.depot, number="K08", kind="van"))
    for reading in other.readings.all():
        ReadingFactory(meter=twin, read_at=reading.read_at, raw_value=reading.raw_value + 60.0)
    assert whose_may_be([keyed]) == {}
    assert Fitting.objects.count() == 0
