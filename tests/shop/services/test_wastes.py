"""Containers of old fluid: pours, dips, changes, and the collector's visits."""

import datetime

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, CollectionLine, Supplier, WasteCollection, WasteMovement, WasteTank
from shop.planning.waste_level import LEAST_POURS
from shop.selectors.wastes import containers_of, containers_shown
from shop.services.waste_collections import (
    HandOver,
    Taken,
    collection_call,
    collection_cancel,
    collection_done,
)
from shop.services.wastes import ContainerReport, Pour, container_write, waste_dip, waste_move, waste_pour
from tests.factories import DepotFactory, PersonFactory

TODAY = datetime.date(2026, 3, 10)


@pytest.fixture
def depot(pinned_clock, db):
    return DepotFactory()


@pytest.fixture
def foreman(depot):
    return PersonFactory(depots=[depot])


@pytest.fixture
def oil(depot):
    return a_tank(depot, "used oil", 630)


@pytest.fixture
def collector(db):
    return Supplier.objects.create(
        code="SC", name="Sumpholme Collections", lead_working_days=5, minimum_l=400
    )


def a_tank(depot, stream, level_l, capacity_l=1000.0):
    return WasteTank.objects.create(
        depot=depot, stream=stream, capacity_l=capacity_l, level_l=level_l, mean_per_day_l=42, sd_per_day_l=24,
        collector_lead_days=5, waste_code="13 02 05*",
    )  # fmt: skip


def level(tank):
    return WasteTank.objects.get(pk=tank.pk).level_l


def called(foreman, depot, collector, oil):
    return collection_call(foreman, depot, collector, [(oil, 630.0)])


def test_litres_poured_raise_the_level_and_leave_a_movement_with_a_name(foreman, oil):
    moved = waste_pour(foreman, oil, "used oil", 12.5, "drip trays")
    assert level(oil) == pytest.approx(642.5)
    assert (moved.litres, moved.reason, moved.moved_by, moved.note) == (12.5, "poured", foreman, "drip trays")


@pytest.mark.parametrize("stream", ["coolant", "brake fluid", "wipes", "", "used  oil"])
def test_another_stream_is_refused_with_the_reason_and_nothing_moves(foreman, oil, stream):
    with pytest.raises(InputError, match="takes used oil") as refused:
        waste_pour(foreman, oil, stream, 5.0)
    assert "contaminated" in refused.value.fields["stream"]
    assert (level(oil), WasteMovement.objects.count()) == (630, 0)


@pytest.mark.parametrize("litres", [0, -3, float("nan"), float("inf"), 371])
def test_litres_that_cannot_be_or_do_not_fit_are_refused(foreman, oil, litres):
    with pytest.raises((InputError, ConflictError)):
        waste_pour(foreman, oil, "used oil", litres)
    assert (level(oil), WasteMovement.objects.count()) == (630, 0)


def test_two_who_read_the_same_level_cannot_overfill_or_empty_it_twice(oil):
    first, second = WasteTank.objects.get(pk=oil.pk), WasteTank.objects.get(pk=oil.pk)
    with transaction.atomic():
        waste_move(first, 300, "poured", Pour())
    with pytest.raises(ConflictError, match="930 of 1000 L"), transaction.atomic():
        waste_move(second, 300, "poured", Pour())
    with transaction.atomic():
        waste_move(first, -930, "collected", Pour())
    with pytest.raises(ConflictError, match=r"holds 0\.0 L"), transaction.atomic():
        waste_move(second, -1, "collected", Pour())
    assert level(oil) == 0


def test_a_dip_sets_the_level_by_a_movement_and_needs_its_reason(foreman, oil):
    with pytest.raises(InputError, match="Say how"):
        waste_dip(foreman, oil, 600, " ")
    moved = waste_dip(foreman, oil, 600, "stick, Monday round")
    assert (moved.litres, moved.reason) == (-30, "dipped")
    assert level(oil) == 600
    assert waste_dip(foreman, oil, 600, "again") is None
    for wrong in (-1, 1000.5, float("nan")):
        with pytest.raises(InputError):
            waste_dip(foreman, oil, wrong, "stick")


def test_the_database_keeps_a_dip_without_a_reason_out(oil, pinned_clock):
    with pytest.raises(IntegrityError), transaction.atomic():
        WasteMovement.objects.create(tank=oil, litres=-1, reason="dipped", moved_at=clock.now())


def test_a_container_is_added_empty_and_changed_with_a_record(foreman, depot):
    report = ContainerReport("coolant", 208, 3, 2, 5, "drum by the pit", "16 01 14*")
    tank = container_write(foreman, depot, report)
    assert (tank.level_l, tank.waste_code) == (0, "16 01 14*")
    waste_pour(foreman, tank, "coolant", 50)
    again = container_write(foreman, depot, ContainerReport("coolant", 120, 3, 2, 7))
    assert (again.pk, level(again), ChangeRecord.objects.count()) == (tank.pk, 50, 2)
    container_write(foreman, depot, ContainerReport("coolant", 120, 3, 2, 7))
    assert ChangeRecord.objects.count() == 2
    with pytest.raises(InputError, match="cannot be smaller"):
        container_write(foreman, depot, ContainerReport("coolant", 40, 3, 2, 7))
    with pytest.raises(InputError, match="no stream of the house"):
        container_write(foreman, depot, ContainerReport("slops", 40, 3, 2, 7))


@pytest.mark.parametrize(
    ("role", "may"),
    [("fleet", "pour dip call done"), ("stores", "pour dip call done"), ("technician", "pour dip done"),
     ("foreman", "pour dip write call done"), ("apprentice", "pour")],
)  # fmt: skip
def test_roles_decide_who_books(depot, foreman, collector, oil, role, may):
    person = PersonFactory(role=role, depots=[depot])
    visit = called(foreman, depot, collector, oil)
    line = visit.lines.get()
    waters = a_tank(depot, "coolant", 450)
    acts = {
        "pour": lambda: waste_pour(person, oil, "used oil", 1),
        "dip": lambda: waste_dip(person, oil, 640, "stick"),
        "write": lambda: container_write(person, depot, ContainerReport("wipes", 60, 1, 1, 5)),
        "call": lambda: collection_call(person, depot, collector, [(waters, 450.0)]),
        "done": lambda: collection_done(person, visit, {line.pk: Taken(600)}, HandOver("N 1", TODAY)),
    }
    for name, act in acts.items():
        if name in may.split():
            act()
        else:
            with pytest.raises(NotAllowed):
                act()


def test_a_visit_is_called_done_and_the_level_follows_by_a_movement(foreman, depot, collector, oil):
    visit = called(foreman, depot, collector, oil)
    assert (visit.state, visit.called_on, visit.called_by) == ("called", TODAY, foreman)
    assert level(oil) == 630
    line = visit.lines.get()
    assert (line.stream, line.waste_code) == ("used oil", "13 02 05*")
    done = collection_done(
        foreman, visit, {line.pk: Taken(610, 540)}, HandOver("BN 4711", TODAY, "driver, lorry 7")
    )
    assert (done.state, done.paper_number, done.handed_over_by) == ("done", "BN 4711", foreman)
    moved = oil.movements.get()
    assert (moved.litres, moved.reason, moved.collection, level(oil)) == (-610, "collected", visit, 20)
    with pytest.raises(ConflictError, match="done already"):
        collection_done(foreman, visit, {line.pk: Taken(10)}, HandOver("BN 4711", TODAY))
    with pytest.raises(ConflictError, match="done already"):
        collection_cancel(foreman, visit, "changed my mind")
    assert level(oil) == 20
    assert ChangeRecord.objects.filter(after__paper_number="BN 4711").exists()


def test_litres_below_the_minimum_need_an_agreement_in_words(foreman, depot, collector):
    small = a_tank(depot, "coolant", 126, 208)
    with pytest.raises(InputError, match="126 L are below the 400 L"):
        collection_call(foreman, depot, collector, [(small, 126.0)])
    assert not WasteCollection.objects.exists()
    assert collection_call(foreman, depot, collector, [(small, 126.0)], note="comes past anyway").note


def test_a_container_is_called_for_once(foreman, depot, collector, oil):
    visit = called(foreman, depot, collector, oil)
    with pytest.raises(ConflictError, match="called for already"):
        called(foreman, depot, collector, oil)
    with pytest.raises(IntegrityError), transaction.atomic():
        CollectionLine.objects.create(
            collection=WasteCollection.objects.create(depot=depot, collector=collector, called_on=TODAY),
            tank=oil, stream="used oil", expected_l=1,
        )  # fmt: skip
    with pytest.raises(InputError, match="Say why"):
        collection_cancel(foreman, visit, "")
    collection_cancel(foreman, visit, "lorry broke down")
    assert called(foreman, depot, collector, oil).state == "called"


@pytest.mark.parametrize(
    ("taken", "paper", "named"),
    [
        (Taken(-1), HandOver("N", TODAY), "zero or more"),
        (Taken(0), HandOver("N", TODAY), "Nothing was taken"),
        (Taken(600), HandOver(" ", TODAY), "number of the"),
        (Taken(600), HandOver("N", TODAY + datetime.timedelta(days=1)), "to today"),
        (Taken(600), HandOver("N", TODAY - datetime.timedelta(days=1)), "to today"),
        (Taken(600, 60), HandOver("N", TODAY), "do not belong together"),
        (Taken(700), HandOver("N", TODAY), "630.0 L by the books"),
    ],
)
def test_a_hand_over_that_cannot_be_moves_nothing(foreman, depot, collector, oil, taken, paper, named):
    visit = called(foreman, depot, collector, oil)
    with pytest.raises((InputError, ConflictError), match=named):
        collection_done(foreman, visit, {visit.lines.get().pk: taken}, paper)
    assert (level(oil), WasteMovement.objects.count()) == (630, 0)
    assert WasteCollection.objects.get().state == "called"


def test_all_containers_of_a_visit_go_down_or_none(foreman, depot, collector, oil):
    waters = a_tank(depot, "coolant", 120, 208)
    visit = collection_call(foreman, depot, collector, [(oil, 630.0), (waters, 120.0)])
    taken = {line.pk: Taken(630 if line.tank_id == oil.pk else 121) for line in visit.lines.all()}
    with pytest.raises(ConflictError, match=r"coolant tank holds 120\.0 L"):
        collection_done(foreman, visit, taken, HandOver("N", TODAY))
    assert (level(oil), level(waters)) == (630, 120)


def test_the_call_level_of_the_typed_figures_is_602_and_of_learned_ones_follows_the_pours(foreman, oil):
    # 0.9*1000 - 42*5 - 1.645*24*sqrt(5) = 601.7, worked by hand.
    own = containers_shown(containers_of(foreman))[0]
    assert own.call.call_level_l == pytest.approx(601.7, abs=0.05)
    assert (own.call.state, own.rate.is_learned) == ("call today", False)
    for back in range(1, 71):
        at = clock.now() - datetime.timedelta(days=back)
        WasteMovement.objects.create(tank=oil, litres=10, reason="poured", moved_at=at)
    learned = containers_shown(containers_of(foreman))[0]
    assert learned.rate.pours > LEAST_POURS
    assert (learned.rate.mean_per_day_l, learned.rate.sd_per_day_l) == (pytest.approx(10), pytest.approx(0))
    assert learned.call.call_level_l == pytest.approx(850)
    assert learned.call.state == "call by"


def test_movements_add_up_to_the_level_whatever_happens(foreman, depot, collector):
    tank = container_write(foreman, depot, ContainerReport("used oil", 1000, 42, 24, 5))
    waste_dip(foreman, tank, 500, "first dip")
    waste_pour(foreman, tank, "used oil", 130)
    visit = collection_call(foreman, depot, collector, [(tank, 630.0)])
    collection_done(foreman, visit, {visit.lines.get().pk: Taken(628.4)}, HandOver("N", TODAY))
    waste_dip(foreman, tank, 0, "empty, looked in")
    total = WasteMovement.objects.filter(tank=tank).aggregate(total=Sum("litres"))["total"]
    assert total == pytest.approx(level(tank), abs=1e-9)
