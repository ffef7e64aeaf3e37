"""Recalls hold what they are about until they are closed on each vehicle."""

import datetime

import pytest

from notifications.render.lines import half_done_line
from notifications.selectors import digest_gather
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Recall, RecallClosing, RuleVersion, Vehicle
from shop.selectors.board import board_for
from shop.selectors.needs import needs_of
from shop.selectors.recall_views import recall_views
from shop.services.daily_run import run_steps
from shop.services.recalls import ClosingReport, RecallReport, recall_close, recall_enter
from tests.factories import PersonFactory
from tests.shop.web.conftest import NOW, TODAY, Yard

DONE = ClosingReport(TODAY, "Bea", "seal replaced as the notice says")


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yard = Yard()
    yard.add("A1", 57_000)
    yard.add("A2", 20_000)
    yard.run()
    yield yard
    clock.pin(None)


@pytest.fixture
def mara(yard):
    return PersonFactory(role="fleet", name="Mara", depots=[yard.depot])


def notice(**more):
    values = {
        "code": "TB6-26-01", "title": "pump seal", "source": "maker's notice", "kind": Recall.Kind.COMBINE,
        "from_day": TODAY, "unit_models": ("TB6",),
    }  # fmt: skip
    return RecallReport(**(values | more))


def test_a_recall_of_a_unit_model_holds_its_units_until_it_is_closed(yard, mara):
    recall = recall_enter(mara, notice())
    assert yard.line("A1").overlays == ["on hold"]
    # A line with nothing to do carries no hold.
    assert yard.line("A2").overlays == []
    (view,) = recall_views(mara)
    assert [one.vehicle.number for one in view.open_on] == ["A1", "A2"]
    recall_close(mara, recall, Vehicle.objects.get(number="A1"), DONE)
    assert yard.line("A1").overlays == []
    (view,) = recall_views(mara)
    assert [one.vehicle.number for one in view.open_on] == ["A2"]
    closing = view.closed_on[0].closing
    assert (closing.closed_by, closing.how) == ("Bea", "seal replaced as the notice says")


def test_vehicles_named_narrow_it_down(yard, mara):
    recall_enter(mara, notice(vehicles=("A2",)))
    assert yard.line("A1").overlays == []
    (view,) = recall_views(mara)
    assert [one.vehicle.number for one in view.open_on] == ["A2"]


def test_stop_drive_stops_the_whole_vehicle_whatever_its_state(yard, mara):
    recall = recall_enter(mara, notice(kind=Recall.Kind.STOP_DRIVE))
    line = yard.line("A2")
    assert (line.state, line.must_not_move, line.overlays) == ("not yet", True, ["must not move", "on hold"])
    stopped = {one.vehicle_number: one for one in board_for(mara).stopped}
    assert stopped["A2"].recall == "TB6-26-01: pump seal"
    told = [half_done_line(item, TODAY) for item in digest_gather(mara, TODAY).half_done]
    texts = ["".join(span.text for span in line.spans) for line in told]
    assert any(text.startswith("A2 Do not drive: stop-drive recall TB6-26-01") for text in texts)
    assert len(texts) == 2
    recall_close(mara, recall, Vehicle.objects.get(number="A2"), DONE)
    line = yard.line("A2")
    assert (line.must_not_move, line.overlays) == (False, [])


def test_no_fluid_is_ordered_for_a_vehicle_that_is_stopped(yard, mara):
    def jobs():
        needs = needs_of(TODAY, [yard.depot.pk], {yard.product.pk: 60})
        return {job.unit_label for need in needs.values() for job in need.jobs}

    assert "A1 gearbox" in jobs()
    recall_enter(mara, notice(kind=Recall.Kind.STOP_DRIVE))
    assert jobs() == set()


def test_one_that_begins_later_holds_from_its_day(yard, mara):
    begins = TODAY + datetime.timedelta(days=3)
    recall_enter(mara, notice(kind=Recall.Kind.STOP_DRIVE, from_day=begins))
    for day, stopped in ((begins - datetime.timedelta(days=1), False), (begins, True)):
        clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
        run_steps(yard.depot, day)
        assert yard.line("A2").must_not_move is stopped


def test_new_figures_are_asked_for_until_a_rule_begins_that_day(yard, mara):
    day = TODAY + datetime.timedelta(days=30)
    recall_enter(mara, notice(kind=Recall.Kind.NEW_FIGURES, changes_from=day))
    assert recall_views(mara)[0].missing_rules == ["TB6"]
    RuleVersion.objects.create(rule=RuleVersion.objects.get().rule, applies_from=day, interval_km=45_000)
    assert recall_views(mara)[0].missing_rules == []


@pytest.mark.parametrize(
    ("changed", "name"),
    [
        ({"unit_models": ()}, "unit_models"),
        ({"unit_models": ("TB9",)}, "unit_models"),
        ({"vehicles": ("A9",)}, "vehicles"),
        ({"changes_from": TODAY}, "changes_from"),
        ({"kind": "urgent"}, "kind"),
        ({"code": "a/b"}, "code"),
        ({"title": " "}, "title"),
        ({"source": ""}, "source"),
    ],
)
def test_what_cannot_be_is_refused(yard, mara, changed, name):
    with pytest.raises(InputError) as refused:
        recall_enter(mara, notice(**changed))
    assert set(refused.value.fields) == {name}
    assert not Recall.objects.exists()


def test_it_is_entered_and_closed_once(yard, mara):
    recall = recall_enter(mara, notice())
    with pytest.raises(ConflictError):
        recall_enter(mara, notice())
    vehicle = Vehicle.objects.get(number="A1")
    recall_close(mara, recall, vehicle, DONE)
    recall_close(mara, recall, vehicle, DONE)
    assert RecallClosing.objects.count() == 1
    with pytest.raises(ConflictError):
        recall_close(mara, recall, vehicle, ClosingReport(TODAY, "Arno", "letter"))
    with pytest.raises(InputError):
        recall_close(mara, recall, vehicle, ClosingReport(TODAY + datetime.timedelta(days=1), "", ""))


def test_roles(yard, mara):
    apprentice = PersonFactory(role="apprentice", depots=[yard.depot])
    technician = PersonFactory(role="technician", depots=[yard.depot])
    with pytest.raises(NotAllowed):
        recall_enter(technician, notice())
    recall = recall_enter(mara, notice())
    with pytest.raises(NotAllowed):
        recall_close(apprentice, recall, Vehicle.objects.get(number="A1"), DONE)
    recall_close(technician, recall, Vehicle.objects.get(number="A1"), DONE)
