"""A signed deferral: what the signer sees, who must answer for it, and that it comes back by itself."""

import datetime

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, DueLine, Hold, UnitModel, Vehicle
from shop.selectors.deferrals import DeferralAsked, deferral_list, deferral_sight
from shop.services.daily_run import run_steps
from shop.services.deferrals import DeferralReport, deferral_asked, deferral_end, deferral_sign
from shop.services.jobs import JobReport, job_close
from shop.services.readings import reading_record
from tests.factories import PersonFactory
from tests.shop.web.conftest import NOW, TODAY, Yard

SOON = TODAY + datetime.timedelta(days=30)


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yard = Yard()
    yard.add("A1", 57_000)
    yard.run()
    yield yard
    clock.pin(None)


@pytest.fixture
def ines(yard):
    return PersonFactory(role="foreman", name="Ines", depots=[yard.depot])


def go_to(yard, day):
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    assert run_steps(yard.depot, day).state == "done"


def report(until=SOON, **more):
    asked = DeferralAsked(until, more.pop("until_total", None))
    return DeferralReport(asked, **({"reason": "no spare van", "signed_by": "Ines"} | more))


def test_the_signer_sees_where_it_will_stand(yard):
    """57 000 of 60 000 km at 150 km a day: 30 days later 61 500, 102.5 %, 2.5 % over, still due."""
    sight = deferral_sight(yard.line("A1"), DeferralAsked(SOON))
    assert sight.share == pytest.approx(61_500 / 60_000, rel=1e-6)
    assert (sight.over_share, sight.state) == (pytest.approx(0.025, rel=1e-5), "due")
    assert sight.sentence == "On 1 Apr 2026 it will be at 102.5 % of its interval, 2.5 % over: due."
    assert (sight.asks_for, sight.refusal) == ((), "")


def test_it_lies_over_the_line_and_comes_back_on_its_day(yard, ines):
    hold = deferral_sign(ines, yard.line("A1"), report())
    line = yard.line("A1")
    assert (line.state, line.overlays) == ("window open", ["on hold"])
    assert hold.share_then == pytest.approx(1.025, rel=1e-5)
    go_to(yard, SOON - datetime.timedelta(days=1))
    assert yard.line("A1").overlays == ["on hold"]
    go_to(yard, SOON)
    line = yard.line("A1")
    assert (line.state, line.overlays) == ("due", [])
    found = deferral_list(ines)
    assert (found.in_force, [one.hold.pk for one in found.over]) == ([], [hold.pk])
    assert ChangeRecord.objects.filter(key="A1-TB6 fluid deferral", action="added").exists()


def test_it_comes_back_when_the_meter_is_there_or_on_the_expected_day(yard, ines):
    asked = deferral_asked(yard.line("A1"), None, "101 500")
    # 1 500 km at 150 a day.
    sight = deferral_sight(yard.line("A1"), asked)
    assert sight.comes_back_on == TODAY + datetime.timedelta(days=10)
    deferral_sign(ines, yard.line("A1"), DeferralReport(asked, "till the round is done", "Ines"))
    day = TODAY + datetime.timedelta(days=4)
    clock.pin(datetime.datetime.combine(day, datetime.time(8), datetime.UTC))
    meter = Vehicle.objects.get(number="A1").meters.get()
    reading_record(meter, "101499", source="workshop", person=ines)
    assert yard.line("A1").overlays == ["on hold"]
    clock.pin(datetime.datetime.combine(day, datetime.time(9), datetime.UTC))
    reading_record(meter, "101500", source="workshop", person=ines)
    assert yard.line("A1").overlays == []
    assert deferral_list(ines).in_force == []


def test_a_total_without_a_reading_comes_back_on_the_expected_day(yard, ines):
    asked = deferral_asked(yard.line("A1"), None, "101500")
    deferral_sign(ines, yard.line("A1"), DeferralReport(asked, "till the round is done", "Ines"))
    go_to(yard, TODAY + datetime.timedelta(days=10))
    assert yard.line("A1").overlays == []


@pytest.mark.parametrize("total", ["100000", "99000", "x"])
def test_a_total_that_cannot_be_is_refused(yard, total):
    with pytest.raises(InputError) as refused:
        deferral_sight(yard.line("A1"), deferral_asked(yard.line("A1"), None, total))
    assert "until_total" in refused.value.fields


@pytest.mark.parametrize("until", [None, TODAY, TODAY + datetime.timedelta(days=500)])
def test_a_day_that_cannot_be_is_refused(yard, until):
    with pytest.raises(InputError) as refused:
        deferral_sight(yard.line("A1"), DeferralAsked(until))
    assert "until" in refused.value.fields


def test_warranty_and_a_closed_window_ask_for_a_named_person(yard, ines):
    Vehicle.objects.update(warranty_until=TODAY + datetime.timedelta(days=400))
    with pytest.raises(InputError) as refused:
        deferral_sign(ines, yard.line("A1"), report())
    assert "warranty runs until" in refused.value.fields["answers_for"]
    before_due = deferral_sight(yard.line("A1"), DeferralAsked(TODAY + datetime.timedelta(days=10)))
    assert before_due.asks_for == ()
    far = deferral_sight(yard.line("A1"), DeferralAsked(TODAY + datetime.timedelta(days=70)))
    assert far.state == "late"
    assert "the service window will have closed" in far.asks_for
    hold = deferral_sign(ines, yard.line("A1"), report(answers_for="Mara"))
    assert hold.answers_for == "Mara"


def test_a_safety_item_is_not_put_off_past_its_window(yard, ines):
    UnitModel.objects.update(kind="brake system")
    due = deferral_sight(yard.line("A1"), DeferralAsked(SOON))
    assert "matter of safety" in due.asks_for[0]
    with pytest.raises(InputError) as refused:
        deferral_sign(ines, yard.line("A1"), report(TODAY + datetime.timedelta(days=70), answers_for="Mara"))
    assert "matter of safety" in refused.value.fields["until"]
    assert not Hold.objects.exists()


def test_reason_and_signature_are_needed_and_one_deferral_at_a_time(yard, ines):
    with pytest.raises(InputError) as refused:
        deferral_sign(ines, yard.line("A1"), report(reason="", signed_by=""))
    assert set(refused.value.fields) == {"reason", "signed_by"}
    deferral_sign(ines, yard.line("A1"), report())
    with pytest.raises(ConflictError):
        deferral_sign(ines, yard.line("A1"), report())


def test_a_person_ends_it_early_and_it_can_be_signed_again(yard, ines):
    hold = deferral_sign(ines, yard.line("A1"), report())
    with pytest.raises(InputError):
        deferral_end(ines, hold, "")
    deferral_end(ines, hold, "the spare van is back")
    assert yard.line("A1").overlays == []
    found = deferral_list(ines).over[0].hold
    assert (found.ended_on, found.ended_by, found.ended_why) == (TODAY, "Ines", "the spare van is back")
    assert found.until == SOON
    with pytest.raises(ConflictError):
        deferral_end(ines, hold, "once more")
    deferral_sign(ines, yard.line("A1"), report())
    assert Hold.objects.count() == 2


def test_closing_the_job_ends_it(yard, ines):
    deferral_sign(ines, yard.line("A1"), report())
    done = JobReport(
        method="drain-and-refill", done_on=TODAY, in_l=3.6, out_l=3.6, level_temp_c=80.0, level_reading_mm=0.0,
        leak_checked=True, road_tested=True, meter_text="100000", done_by="Bea",
    )  # fmt: skip
    job_close(ines, yard.line("A1").unit, done)
    assert Hold.objects.get().ended_why == "the job is done"


@pytest.mark.parametrize("role", ["fleet", "stores", "technician", "apprentice"])
def test_only_the_foreman_signs(yard, role):
    person = PersonFactory(role=role, depots=[yard.depot])
    with pytest.raises(NotAllowed):
        deferral_sign(person, yard.line("A1"), report())


def test_another_line_of_the_unit_is_not_held(yard, ines):
    from tests.factories import IntervalRuleFactory, RuleVersionFactory

    rule = IntervalRuleFactory(unit_model=yard.model, subject="outside filter")
    RuleVersionFactory(rule=rule, interval_km=10_000.0)
    unit = yard.line("A1").unit
    unit.last_services.create(subject="outside filter", done_on=TODAY, unit_km=90_500.0)
    yard.run()
    deferral_sign(ines, DueLine.objects.get(rule__subject="fluid"), report())
    assert DueLine.objects.get(rule__subject="fluid").overlays == ["on hold"]
    assert DueLine.objects.get(rule=rule).overlays == []
