"""Recording a finished job and a reading: errors beside the fields, nothing half done."""

import datetime

import pytest

from shop.models import Job, LastService, Meter, Reading, StockItem, UnitModel, Vehicle
from tests.factories import MeterFactory, ReadingFactory
from tests.shop.web.conftest import NOW

DONE = {
    "subject": "fluid", "method": "overnight drain + cooler-line exchange", "done_on": "2026-03-02",
    "meter_text": "100000", "out_l": "10.1", "out_temp_c": "20", "in_l": "10.0", "in_temp_c": "20",
    "level_temp_c": "80", "level_reading_mm": "0", "leak_checked": "on", "road_tested": "on", "done_by": "Bea",
}  # fmt: skip


def test_a_job_closes_and_the_page_shows_the_new_date(foreman, yard):
    before = yard.line("K01")
    answer = foreman.post("/units/K01-TB6/job", DONE, follow=True)
    assert answer.redirect_chain == [("/units/K01-TB6", 302)], answer.context and answer.context.get("form")
    page = answer.content.decode()
    assert "is closed" in page
    after = yard.line("K01")
    assert (before.state, after.state) == ("window open", "not yet")
    assert after.due_on > before.due_on
    job = Job.objects.get(unit__code="K01-TB6")
    assert (job.state, job.in_l, job.done_by) == (Job.State.HANDED_BACK, 10.0, "Bea")
    assert sum(StockItem.objects.values_list("on_shelf_l", flat=True)) == pytest.approx(10.0, abs=0.1)


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("in_l", "six", "Write a number in L"),
        ("in_l", "-1", "greater than or equal to 0"),
        ("done_on", "2026-03-09", "has not come yet"),
        ("leak_checked", "", "looked for leaks"),
        ("road_tested", "", "say why"),
        ("done_by", "", "required"),
    ],
)
def test_a_wrong_field_is_told_beside_it_and_nothing_is_written(foreman, field, value, sentence):
    answer = foreman.post("/units/K01-TB6/job", {**DONE, field: value} if value else _without(field))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Not closed." in page
    assert sentence in page
    assert 'class="field-error"' in page
    assert not Job.objects.exists()
    assert LastService.objects.get(unit__code="K01-TB6").unit_km == 43_000


def _without(field: str) -> dict[str, str]:
    return {name: value for name, value in DONE.items() if name != field}


def test_the_form_shows_what_was_expected(foreman):
    page = foreman.get("/units/K01-TB6/job").content.decode()
    assert "6.1 L drained, then stages of 2 + 2 L" in page
    assert "stick, 0 mm at 80 °C idling" in page


def test_a_typed_reading_goes_in(foreman, yard):
    answer = foreman.post("/readings", {"vehicle": "k01", "value": "100020"}, follow=True)
    assert "100020 is in" in answer.content.decode()
    assert Reading.objects.filter(meter__vehicle__number="K01", raw_text="100020", source="workshop").exists()


def test_an_odd_reading_is_kept_and_answered_with_one_tap(foreman, yard):
    page = foreman.post("/readings", {"vehicle": "K01", "value": "1000200"}, follow=True).content.decode()
    assert "set aside" in page
    reading = Reading.objects.get(raw_text="1000200")
    assert reading.status == Reading.Status.ASKED
    assert f'action="/readings/{reading.pk}/answer"' in page
    foreman.post(f"/readings/{reading.pk}/answer", {"answer": "not a reading"})
    reading.refresh_from_db()
    assert (reading.status, reading.answer) == (Reading.Status.REFUSED, "not a reading")


def test_an_answer_that_is_none_of_the_three_changes_nothing(foreman, yard):
    reading = ReadingFactory(
        meter=yard.line("K01").vehicle.meters.get(), read_at=NOW - datetime.timedelta(hours=1), raw_value=5,
        raw_text="5", true_total=None, status=Reading.Status.ASKED, question="?",
    )  # fmt: skip
    foreman.post(f"/readings/{reading.pk}/answer", {"answer": "perhaps"})
    reading.refresh_from_db()
    assert reading.status == Reading.Status.ASKED


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"vehicle": "K99", "value": "1"}, "There is no such vehicle"),
        ({"vehicle": "Z01", "value": "1"}, "There is no such vehicle"),
        ({"vehicle": "K01", "value": "1,234"}, "1,234"),
        ({"vehicle": "K01", "value": "1", "meter": "engine hours"}, "This vehicle has odometer"),
        ({"vehicle": "K01", "value": ""}, "required"),
    ],
)
def test_a_reading_that_cannot_be_used_is_told_beside_its_field(foreman, other_yard, typed, sentence):
    before = Reading.objects.count()
    answer = foreman.post("/readings", typed)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert Reading.objects.count() == before


@pytest.fixture
def sweeper(yard):
    """A vehicle with all three meters, whose unit counts the hours of its power take-off."""
    yard.add("K70", 20_000)
    UnitModel.objects.update(hours_meter=Meter.Kind.TAKE_OFF)
    vehicle = Vehicle.objects.get(number="K70")
    for kind, total in ((Meter.Kind.HOURS, 3_000), (Meter.Kind.TAKE_OFF, 1_200)):
        meter = MeterFactory(vehicle=vehicle, kind=kind, shown_in="hh:mm", class_rate_per_day=3)
        ReadingFactory(meter=meter, read_at=NOW - datetime.timedelta(days=2), raw_value=total)
    return vehicle


def test_a_job_asks_for_the_meters_its_unit_counts_on(foreman, sweeper):
    page = foreman.get("/units/K70-TB6/job").content.decode()
    assert "Odometer, as the meter shows" in page
    assert "Power take-off hours, as the meter shows" in page
    assert "Engine hours, as" not in page
    foreman.post("/units/K70-TB6/job", {**DONE, "hours_text": "1203:30"}, follow=True)
    assert Job.objects.get().unit_h == 1_203.5
    assert "power take-off hours</dd>" in foreman.get("/units/K70-TB6").content.decode()
    only = foreman.get("/units/K01-TB6/job").content.decode()
    assert "hours, as the meter shows" not in only


def test_a_reading_of_the_take_off_is_typed_and_its_meter_changed(foreman, sweeper):
    page = foreman.get("/readings").content.decode()
    assert '<option value="power take-off hours">power take-off hours</option>' in page
    given = {"vehicle": "K70", "meter": "power take-off hours", "value": "1203:30"}
    assert foreman.post("/readings", given, follow=True).status_code == 200
    reading = Reading.objects.get(raw_text="1203:30")
    assert (reading.meter.kind, reading.status, reading.true_total) == (given["meter"], "accepted", 1_203.5)
    unsaid = foreman.post("/readings", {**given, "meter": ""}).content.decode()
    assert "engine hours and odometer and power take-off hours. Choose one" in unsaid
    change = {
        "meter": "power take-off hours", "kind": "rolled over", "day": "2026-03-02", "last_old": "9999:00",
        "first_new": "0:30",
    }  # fmt: skip
    page = foreman.post("/vehicles/K70/meters", change, follow=True).content.decode()
    assert "power take-off hours rolled over on 2 Mar 2026" in page
    assert "Readings of the power take-off hours" in page
    assert "Power take-offs" in foreman.get("/forecasts?meter=power+take-off+hours").content.decode()
