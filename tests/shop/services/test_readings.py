"""Readings are judged, kept and asked about; none is overwritten."""

import datetime

import numpy as np
import pytest

from shop.errors import ConflictError, InputError
from shop.models import ChangeRecord, MeterChange, Reading
from shop.services.meter_changes import meter_change_record
from shop.services.reading_columns import ReadingRow
from shop.services.reading_writing import reading_changes_write
from shop.services.readings import (
    reading_answer,
    reading_record,
    readings_record,
)
from tests.factories import MeterFactory, PersonFactory, ReadingFactory, VehicleFactory

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

DAY_0 = datetime.datetime(2026, 3, 2, 4, 0, tzinfo=datetime.UTC)


def days_before(days: float) -> datetime.datetime:
    return DAY_0 - datetime.timedelta(days=days)


def weekly(meter, last: float, per_week: float, weeks: int = 12, newest_days: float = 1):
    rows = [
        ReadingRow(meter.pk, days_before(newest_days + 7 * n), "telematics", f"{last - per_week * n:.1f}")
        for n in range(weeks)
    ]
    report = readings_record(rows)
    assert not report.asked
    assert len(report.added) == weeks
    return report


def test_first_reading_of_a_meter_counts_at_once():
    reading = reading_record(MeterFactory(), "57 000", source="workshop", read_at=DAY_0)
    assert (reading.status, reading.true_total, reading.raw_text) == ("accepted", 57_000, "57 000")


def test_replaced_meter_keeps_the_true_total():
    # Arithmetic of the reading itself: 148 320 − 9 + 5 274.
    meter = MeterFactory()
    reading_record(meter, "148320", source="workshop", read_at=days_before(40))
    meter_change_record(meter, day=datetime.date(2026, 1, 22), kind="replaced", last_old=148_320, first_new=9)
    reading = reading_record(meter, "5274", source="telematics", read_at=DAY_0)
    assert (reading.status, reading.true_total) == ("accepted", 153_585)


@pytest.mark.parametrize(("last_old", "first_new"), [(9_999.9, 0.0), (10_000.0, 0.0)])
def test_rolled_over_meter_gains_exactly_its_span(last_old, first_new):
    # A five-digit counter with one decimal shows 0.0 again at 10 000.0, whatever was last seen on it.
    meter = MeterFactory(kind="engine hours", shown_in="h", rolls_over_at=10_000.0)
    reading_record(meter, "9990.0", source="workshop", read_at=days_before(200))
    meter_change_record(
        meter,
        day=datetime.date(2025, 10, 8),
        kind="rolled over",
        last_old=last_old,
        first_new=first_new,
    )
    reading = reading_record(meter, "41.3", source="workshop", read_at=DAY_0)
    assert reading.status == "accepted"
    assert reading.true_total == pytest.approx(10_041.3, abs=1e-9)


def test_change_noted_later_settles_the_reading_that_was_asked_about():
    meter = MeterFactory()
    reading_record(meter, "148320", source="workshop", read_at=days_before(40))
    odd = reading_record(meter, "5274", source="telematics", read_at=DAY_0)
    assert (odd.status, odd.true_total, odd.question_code) == ("asked", None, "lower_than_last")
    person = PersonFactory()
    meter_change_record(
        meter,
        day=datetime.date(2026, 1, 22),
        kind="replaced",
        last_old=148_320,
        first_new=9,
        person=person,
    )
    odd.refresh_from_db()
    assert (odd.status, odd.true_total, odd.question) == ("accepted", 153_585, "")
    changed = ChangeRecord.objects.get(table="reading", action="changed")
    assert (changed.before["status"], changed.after["status"]) == ("asked", "accepted")
    assert changed.changed_by == person


def test_correcting_a_meter_change_works_every_total_out_again():
    meter = MeterFactory()
    day = datetime.date(2026, 1, 22)
    meter_change_record(meter, day=day, kind="replaced", last_old=148_320, first_new=0)
    reading = reading_record(meter, "5274", source="workshop", read_at=DAY_0)
    assert reading.true_total == 153_594
    meter_change_record(meter, day=day, kind="replaced", last_old=148_320, first_new=9)
    reading.refresh_from_db()
    assert reading.true_total == 153_585
    assert MeterChange.objects.count() == 1


def test_lost_decimal_point_is_asked_with_a_guess_and_does_not_count():
    meter = MeterFactory(kind="engine hours", shown_in="h")
    weekly(meter, 5_175.4, 32.2)
    odd = reading_record(meter, "51807", source="driver", read_at=DAY_0)
    assert (odd.status, odd.question_code, odd.true_total) == ("asked", "decimal_point", None)
    assert odd.guess_value == pytest.approx(5_180.7)
    assert "decimal point" in odd.question


def test_kilometres_typed_for_miles_are_asked_with_a_guess():
    # 61 830 km ÷ 1.609344 = 38 419.4 mi; the international mile is exact (NIST SP 811, appendix B.8).
    meter = MeterFactory(shown_in="mi")
    weekly(meter, 38_389, 217)
    odd = reading_record(meter, "61830", source="driver", read_at=DAY_0)
    assert (odd.status, odd.question_code) == ("asked", "km_or_miles")
    assert odd.guess_value == pytest.approx(61_830 / 1.609344)
    settled = reading_answer(odd, "as guessed", PersonFactory())
    assert settled.true_total == pytest.approx(61_830.0)
    assert settled.raw_text == "61830"


def test_miles_are_kept_in_km_and_the_text_as_typed():
    reading = reading_record(MeterFactory(shown_in="mi"), "38 420", source="workshop", read_at=DAY_0)
    assert reading.raw_value == 38_420
    assert reading.true_total == pytest.approx(38_420 * 1.609344)


def test_a_reading_may_be_typed_in_another_unit_than_the_meter_shows():
    reading = reading_record(MeterFactory(), "100", unit="mi", source="workshop", read_at=DAY_0)
    assert reading.raw_value == pytest.approx(160.9344)
    assert reading.raw_text == "100 mi"


def test_hours_and_minutes_become_decimal_hours():
    meter = MeterFactory(kind="engine hours", shown_in="hh:mm")
    assert reading_record(meter, "1234:30", source="workshop", read_at=DAY_0).true_total == 1_234.5


def test_more_hours_than_a_day_has_are_asked_about():
    # Out of the definition of a day: no meter of running hours gains more than 24 of them.
    meter = MeterFactory(kind="engine hours", shown_in="h")
    reading_record(meter, "100", source="workshop", read_at=days_before(10))
    assert reading_record(meter, "330", source="workshop", read_at=days_before(0.1)).status == "accepted"
    assert reading_record(meter, "400", source="workshop", read_at=DAY_0).question_code == "too_fast"


def test_a_parked_vehicle_may_start_again():
    meter = MeterFactory(class_rate_per_day=120.0)
    weekly(meter, 50_000, 0)
    assert reading_record(meter, "50150", source="workshop", read_at=DAY_0).status == "accepted"


def test_same_reading_again_changes_nothing():
    meter = MeterFactory()
    row = ReadingRow(meter.pk, DAY_0, "telematics", "1000")
    readings_record([row])
    report = readings_record([row])
    assert (report.added, report.unchanged, report.refused) == (set(), {0}, [])
    assert Reading.objects.count() == ChangeRecord.objects.count() == 1


def test_another_value_at_the_same_instant_is_refused_and_the_first_stays():
    meter = MeterFactory()
    reading_record(meter, "1000", source="telematics", read_at=DAY_0)
    with pytest.raises(InputError, match="never overwritten"):
        reading_record(meter, "1001", source="telematics", read_at=DAY_0)
    assert Reading.objects.get().raw_value == 1000


def test_two_sources_of_one_day_are_both_kept_and_the_trusted_one_counts_for_the_next():
    meter = MeterFactory(class_rate_per_day=300.0)
    weekly(meter, 97_000, 700)
    driver = reading_record(meter, "97700", source="driver", read_at=DAY_0)
    telematics = reading_record(
        meter, "97100", source="telematics", read_at=DAY_0 + datetime.timedelta(hours=1)
    )
    later = reading_record(meter, "97250", source="telematics", read_at=DAY_0 + datetime.timedelta(days=1))
    assert [one.status for one in (driver, telematics, later)] == ["accepted"] * 3
    assert Reading.objects.filter(read_on="2026-03-02").count() == 2


def test_an_older_reading_above_a_later_one_is_asked_about():
    meter = MeterFactory()
    reading_record(meter, "1000", source="workshop", read_at=days_before(20))
    reading_record(meter, "2000", source="workshop", read_at=DAY_0)
    late = reading_record(meter, "2500", source="workshop", read_at=days_before(10))
    assert (late.status, late.question_code) == ("asked", "above_later")


@pytest.mark.parametrize(
    ("value", "unit", "source", "at", "field", "words"),
    [
        ("-5", "", "workshop", DAY_0, "value", "zero or more"),
        ("57,000", "", "workshop", DAY_0, "value", "comma"),
        ("nan", "", "workshop", DAY_0, "value", "not a number"),
        ("100", "furlong", "workshop", DAY_0, "value", "km, mi"),
        ("100", "", "hearsay", DAY_0, "source", "workshop, telematics"),
        ("100", "", "workshop", datetime.datetime(2126, 1, 1, tzinfo=datetime.UTC), "read_at", "future"),
    ],
)
def test_unusable_readings_are_refused_with_field_and_remedy(value, unit, source, at, field, words):
    with pytest.raises(InputError) as caught:
        reading_record(MeterFactory(), value, unit=unit, source=source, read_at=at)
    assert list(caught.value.fields) == [field]
    assert words in caught.value.sentence
    assert Reading.objects.count() == 0


def test_the_local_day_of_the_depot_counts():
    # 23:30 UTC on 1 March is 00:30 on 2 March in the central European zone of the IANA database.
    at = datetime.datetime(2026, 3, 1, 23, 30, tzinfo=datetime.UTC)
    assert reading_record(MeterFactory(), "10", source="workshop", read_at=at).read_on == DAY_0.date()


def test_answers_settle_a_question_once():
    meter = MeterFactory()
    weekly(meter, 51_000, 700)
    odd = reading_record(meter, "90000", source="driver", read_at=DAY_0)
    assert odd.status == "asked"
    person = PersonFactory()
    with pytest.raises(InputError, match="no guess"):
        reading_answer(odd, "as guessed", person)
    settled = reading_answer(odd, "as typed", person)
    assert (settled.status, settled.true_total, settled.answered_by) == ("accepted", 90_000, person)
    with pytest.raises(ConflictError, match="settled already"):
        reading_answer(settled, "as typed", person)
    withdrawn = reading_answer(settled, "not a reading", person)
    assert (withdrawn.status, withdrawn.true_total) == ("refused", None)
    assert ChangeRecord.objects.filter(table="reading", action="changed", changed_by=person).count() == 2


def test_as_typed_may_not_make_the_total_run_backwards():
    meter = MeterFactory()
    reading_record(meter, "1000", source="workshop", read_at=days_before(10))
    odd = reading_record(meter, "900", source="workshop", read_at=DAY_0)
    with pytest.raises(ConflictError, match="backwards"):
        reading_answer(odd, "as typed", PersonFactory())
    odd.refresh_from_db()
    assert (odd.status, odd.answer) == ("asked", "")


def test_unknown_answer_names_the_three():
    with pytest.raises(InputError, match="as guessed, as typed, not a reading"):
        reading_answer(ReadingFactory(), "maybe", PersonFactory())


def test_an_answer_survives_a_later_meter_change():
    meter = MeterFactory(kind="engine hours", shown_in="h")
    weekly(meter, 5_175.4, 32.2)
    odd = reading_record(meter, "51807", source="driver", read_at=DAY_0)
    reading_answer(odd, "as guessed", PersonFactory())
    meter_change_record(meter, day=datetime.date(2025, 1, 1), kind="replaced", last_old=100, first_new=0)
    odd.refresh_from_db()
    assert (odd.status, odd.true_total) == ("accepted", pytest.approx(5_280.7))


@pytest.mark.parametrize("kind", ["swapped", ""])
def test_unknown_meter_change_is_refused(kind):
    with pytest.raises(InputError, match="replaced, rolled over"):
        meter_change_record(MeterFactory(), day=DAY_0.date(), kind=kind, last_old=1, first_new=0)


def test_a_batch_takes_the_good_and_explains_the_bad(django_assert_max_num_queries):
    meter = MeterFactory(vehicle=VehicleFactory())
    rows = [ReadingRow(meter.pk, days_before(n), "telematics", str(50_000 - 100 * n)) for n in range(200)]
    rows[7] = ReadingRow(meter.pk, days_before(7), "telematics", "ninety")
    with django_assert_max_num_queries(30):
        report = readings_record(rows)
    assert len(report.added) == 199
    assert [(place, field) for place, field, _ in report.refused] == [(7, "value")]
    assert report.ids[7] is None


def test_typed_reading_below_one_of_the_same_day_is_asked_about():
    meter = MeterFactory()
    first = reading_record(meter, "97500", source="telematics", read_at=DAY_0)
    typed = reading_record(meter, "97150", source="workshop", read_at=DAY_0 + datetime.timedelta(hours=3))
    assert (first.status, typed.status) == ("accepted", "asked")
    assert typed.question_code == "lower_than_last"


def test_very_many_readings_at_once_have_one_change_record_that_names_their_keys(monkeypatch):
    monkeypatch.setattr("shop.services.reading_writing.EACH_AT_MOST", 3)
    person, meters = PersonFactory(), [MeterFactory() for _ in range(4)]
    rows = [ReadingRow(meter.pk, DAY_0, "telematics", "57000") for meter in meters]
    few = readings_record(rows[:3], person)
    assert ChangeRecord.objects.count() == 3
    ChangeRecord.objects.all().delete()
    many = readings_record(
        [row._replace(read_at=days_before(-day)) for day in (1, 2) for row in rows], person
    )
    record = ChangeRecord.objects.get()
    first, last = min(many.ids), max(many.ids)
    assert (last - first + 1, first > max(few.ids)) == (8, True)
    assert (record.table, record.action, record.changed_by) == ("reading", "added", person)
    assert record.key == f"8 readings, {first} to {last}"
    assert record.after == {"count": 8, "keys": [[first, last]]}


def test_keys_that_others_took_between_are_not_named():
    pks = np.array([4.0, 5.0, 6.0, 9.0, 11.0, 12.0] + [float(pk) for pk in range(20, 1_100)])
    reading_changes_write(pks)
    assert ChangeRecord.objects.get().after == {
        "count": len(pks), "keys": [[4, 6], [9, 9], [11, 12], [20, 1_099]],
    }  # fmt: skip
