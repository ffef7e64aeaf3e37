"""A day worked out in parts ends like a day worked out in one, however far anybody came with it."""

import datetime
from importlib import import_module
from itertools import chain
from unittest import mock

import numpy as np
import pytest
from django.apps import apps
from django.db import connection

from notifications import tasks
from shop import clock
from shop.models import DailyRun, DueLine, Fitting, Mark, RunPart, StateChange, Unit
from shop.services import due, due_parts
from shop.services.daily_run import run_steps
from shop.services.marks import fleet_mark, vehicles_mark
from tests.shop.services.test_due_incremental import worked_out
from tests.shop.web.conftest import TODAY, Yard

PART_UNITS = 2


@pytest.fixture
def yard(db, monkeypatch):
    monkeypatch.setattr(due_parts, "PART_UNITS", PART_UNITS)
    clock.pin(datetime.datetime.combine(TODAY, datetime.time(4, 30), datetime.UTC))
    yard = Yard()
    for number, used_km in (("A1", 20_000), ("A2", 53_000), ("A3", 57_000), ("A4", 61_000), ("A5", 68_000)):
        yard.add(number, used_km)
    yield yard
    clock.pin(None)


def lines():
    names = [one.name for one in DueLine._meta.fields if one.name not in ("id", "worked_out_for")]
    return list(DueLine.objects.order_by("unit").values(*names))


def in_one(yard, day):
    with mock.patch.object(due_parts, "PART_UNITS", 1_000_000):
        assert worked_out(yard, day, is_full=True) == 5
    return lines()


def begun(yard, day, done):
    """Lay out a day and do some of its parts, as a process that was then killed."""
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    run = DailyRun.objects.create(depot=yard.depot, as_of=day, started_at=clock.now())
    left = due_parts.parts_lay(run.pk)
    for _ in range(done):
        assert due_parts._do_one(run.pk, is_waiting=False)
    return left


def test_parts_hold_every_unit_once_and_those_of_a_vehicle_beside_each_other(yard, monkeypatch):
    # A second unit for each vehicle, with keys after those of all first ones.
    for fitting in list(Fitting.objects.order_by("pk")):
        second = Unit.objects.create(code=f"{fitting.unit.code}-2", unit_model=fitting.unit.unit_model)
        Fitting.objects.create(unit=second, vehicle=fitting.vehicle, position="second", unit_km_at_fit=0)
    begun(yard, TODAY, done=0)
    parts = [due_parts._keys_in(units).tolist() for units in RunPart.objects.values_list("units", flat=True)]
    assert [len(part) for part in parts] == [PART_UNITS] * 5
    assert sorted(chain(*parts)) == sorted(Unit.objects.values_list("pk", flat=True))
    vehicle_of = dict(Fitting.objects.values_list("unit", "vehicle"))
    assert all(len({vehicle_of[unit] for unit in part}) == 1 for part in parts)


def test_a_part_laid_out_before_keys_were_packed_can_still_be_done(yard):
    begun(yard, TODAY, done=1)
    before = [due_parts._keys_in(part.units).tolist() for part in RunPart.objects.order_by("pk")]
    for part, keys in zip(RunPart.objects.order_by("pk"), before, strict=True):
        RunPart.objects.filter(pk=part.pk).update(units=np.array(keys, dtype="<i8").tobytes())
    import_module("shop.migrations.0022_parts_packed").pack(apps, None)
    undone = RunPart.objects.filter(counts__isnull=True).order_by("pk")
    assert [due_parts._keys_in(part.units).tolist() for part in undone] == before[1:]


def test_a_day_in_parts_ends_like_a_day_in_one(yard):
    run = run_steps(yard.depot, TODAY)
    assert run.parts.count() >= 3
    assert run.steps["due lines"]["added"] == run.steps["due lines"]["lines"] == 5
    found = lines()
    DueLine.objects.all().delete()
    assert in_one(yard, TODAY) == found


@pytest.mark.parametrize("done", [0, 1, 2])
def test_an_interrupted_day_goes_on_where_it_stopped(yard, done):
    left = begun(yard, TODAY, done)
    there = set(DueLine.objects.values_list("pk", flat=True))
    run = run_steps(yard.depot, TODAY)
    assert run.parts.count() == left
    assert run.steps["due lines"]["added"] == 5
    assert there <= set(DueLine.objects.values_list("pk", flat=True))
    assert StateChange.objects.count() == 5
    assert lines() == in_one(yard, TODAY)


def test_what_a_day_left_undone_is_done_the_next(yard):
    run_steps(yard.depot, TODAY)
    fleet_mark()
    day = TODAY + datetime.timedelta(days=1)
    assert begun(yard, day, done=1) >= 3
    assert not Mark.objects.exists()
    day += datetime.timedelta(days=1)
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    run = run_steps(yard.depot, day)
    assert 0 < run.steps["due lines"]["lines"] < 5
    assert set(RunPart.objects.values_list("run", flat=True)) == {run.pk}
    assert not Mark.objects.exists()
    assert lines() == in_one(yard, day)


def test_again_begins_anew_and_takes_what_was_left(yard):
    begun(yard, TODAY, done=1)
    run = run_steps(yard.depot, TODAY, is_again=True)
    assert run.steps["due lines"]["lines"] == 5
    assert lines() == in_one(yard, TODAY)


def test_helpers_are_called_for_all_parts_but_one_and_find_them(yard):
    called = []

    def help_at_once(run_pk):
        called.append(run_pk)
        assert due_parts.parts_work(run_pk, is_last=False) == (3 if len(called) == 1 else 0)

    with mock.patch.object(tasks.due_parts_help, "delay", help_at_once):
        tasks.daily_run(yard.depot.code, TODAY.isoformat())
    run = DailyRun.objects.get()
    assert run.state == "done"
    assert called == [run.pk] * 2
    assert DueLine.objects.count() == 5


def test_a_part_that_fails_is_told_and_done_when_mended(yard, monkeypatch):
    refresh = due_parts.due_refresh
    with monkeypatch.context() as patched:
        patched.setattr(
            due_parts, "due_refresh", mock.Mock(side_effect=[refresh(TODAY, np.empty(0)), ZeroDivisionError])
        )
        with pytest.raises(ZeroDivisionError):
            run_steps(yard.depot, TODAY)
    assert DailyRun.objects.get().state == "failed"
    assert run_steps(yard.depot, TODAY).state == "done"


def test_marks_of_vehicles_that_are_gone_are_not_laid_down(yard):
    vehicles_mark([])
    vehicles_mark([yard.depot.vehicles.first().pk, 10**6])
    vehicles_mark([yard.depot.vehicles.first().pk])
    assert Mark.objects.count() == 1


@pytest.mark.parametrize(("is_alone", "mode"), [(True, "ExclusiveLock"), (False, "ShareLock")])
def test_units_are_held_by_block_where_several_can_write(
    yard, django_assert_num_queries, monkeypatch, is_alone, mode
):
    monkeypatch.setattr(due, "BLOCK_UNITS", 2)
    is_server = connection.vendor == "postgresql"
    with django_assert_num_queries(int(is_server)):
        due.units_hold(np.array([9.0, 4.0, 5.0, 8.0]), is_alone=is_alone)
    if is_server:
        held = "select objid, mode from pg_locks where locktype = 'advisory' and pid = pg_backend_pid() order by 1"
        with connection.cursor() as cursor:
            cursor.execute(held)
            assert cursor.fetchall() == [(2, mode), (4, mode)]
