"""A run that takes only what may have changed ends like one that takes everything, whatever happened in between."""

import datetime

import pytest
from django.db import connection, transaction
from django.db.models import F
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shop import clock
from shop.models import (
    DailyRun,
    DueLine,
    Fitting,
    Hold,
    IntervalRule,
    LastService,
    Mark,
    Meter,
    Recall,
    RecallClosing,
    RuleVersion,
    SeverityFactor,
    UnitModel,
    Vehicle,
)
from shop.selectors.due_today import explained
from shop.services.daily_run import run_steps
from shop.services.due_parts import parts_done, parts_give_up, parts_lay, parts_work
from shop.services.marks import fleet_mark, vehicles_mark
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from shop.services.readings import reading_move, reading_record
from tests.factories import PersonFactory
from tests.shop.web.conftest import TODAY, Yard

EXAMPLES = 40 if connection.vendor == "sqlite" else 15
"""What an event leads to is the same on both databases; fewer weeks are enough for PostgreSQL's own statements."""

COMPARED = (
    "state",
    "overlays",
    "clock",
    "opens_on",
    "due_on",
    "late_on",
    "due_low_on",
    "due_high_on",
    "book_by",
)


@pytest.fixture
def yard(db):
    clock.pin(datetime.datetime.combine(TODAY, datetime.time(4, 30), datetime.UTC))
    yard = Yard()
    for number, used_km in (
        ("A1", 20_000),
        ("A2", 53_000),
        ("A3", 57_000),
        ("A4", 61_000),
        ("A5", 68_000),
        ("A6", 5),
    ):
        yard.add(number, used_km)
    yield yard
    clock.pin(None)


def go_to(yard, day):
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    assert run_steps(yard.depot, day).state == "done"


def worked_out(yard, day, *, is_full=False):
    """Work out a day's lines, whether that is done or not, and return how many were looked at."""
    run, _ = DailyRun.objects.get_or_create(depot=yard.depot, as_of=day, defaults={"started_at": clock.now()})
    parts_give_up(run.parts.all())
    parts_lay(run.pk, is_full=is_full)
    parts_work(run.pk, is_last=True)
    return parts_done(run.pk)["lines"]


def shown():
    """Return what anybody sees of every line today."""
    lines = explained(
        DueLine.objects.select_related("vehicle__depot", "unit", "rule").order_by("unit__code", "rule")
    )
    return [
        (line.unit.code, *(getattr(line, name) for name in COMPARED), line.sentence,
         None if line.used_share is None else round(line.used_share, 9))
        for line in lines
    ]  # fmt: skip


def shown_after_a_full_run(yard, day):
    """Return the same after working out everything, and take that run back."""
    with transaction.atomic():
        assert worked_out(yard, day, is_full=True) == DueLine.objects.count()
        found = shown()
        transaction.set_rollback(True)
    return found


def test_a_unit_without_news_is_not_written_but_shown_as_of_today(yard):
    go_to(yard, TODAY)
    before = DueLine.objects.get(unit__code="A1-TB6")
    go_to(yard, TODAY + datetime.timedelta(days=10))
    stored = DueLine.objects.select_related("vehicle__depot").get(unit__code="A1-TB6")
    assert (stored.used_share, stored.worked_out_for) == (before.used_share, TODAY)
    (today,) = explained([stored])
    # 150 km a day, 10 days, of 60 000 km.
    assert today.used_share - before.used_share == pytest.approx(10 * 150 / 60_000, rel=1e-6)
    assert "21 500" in today.sentence.replace("\u202f", " ")


def test_only_what_may_have_changed_is_worked_out(yard):
    go_to(yard, TODAY)
    day = TODAY + datetime.timedelta(days=1)
    clock.pin(datetime.datetime.combine(day, datetime.time(4, 30), datetime.UTC))
    # No line reaches a day that counts on the morrow: A2 opens at 54 000 km, in seven days.
    assert worked_out(yard, day) == 0
    vehicles_mark([Vehicle.objects.get(number="A1").pk])
    assert worked_out(yard, day) == 1
    assert not Mark.objects.exists()


def test_a_meter_changed_a_reading_moved_and_the_change_taken_back(yard):
    go_to(yard, TODAY)
    by_number = {meter.vehicle.number: meter for meter in Meter.objects.select_related("vehicle__depot")}
    planner = PersonFactory(role="fleet", depots=[yard.depot])
    last = by_number["A1"].readings.latest("read_at")
    day = TODAY + datetime.timedelta(days=5)
    go_to(yard, day)
    keyed = reading_record(by_number["A1"], "2000", source="driver")
    untouched = shown()
    done = meter_change_enter(
        planner, by_number["A1"], day=day, kind="replaced", last_old=f"{last.raw_value:.0f}", first_new="0"
    )
    keyed.refresh_from_db()
    assert keyed.status == "accepted"
    assert shown() != untouched
    assert shown() == shown_after_a_full_run(yard, day)
    meter_change_withdraw(planner, done.change, "another vehicle's")
    assert shown() == untouched == shown_after_a_full_run(yard, day)
    there = by_number["A6"].readings.latest("read_at").raw_value + 1_500
    keyed = reading_record(by_number["A1"], f"{there:.0f}", source="workshop")
    moved = reading_move(keyed, by_number["A6"].vehicle, planner)
    assert moved.status == "accepted"
    assert shown() != untouched
    assert shown() == shown_after_a_full_run(yard, day)


def test_a_line_opens_on_its_day_without_any_news(yard):
    go_to(yard, TODAY)
    opens_on = DueLine.objects.get(unit__code="A2-TB6").opens_on
    go_to(yard, opens_on - datetime.timedelta(days=1))
    assert DueLine.objects.get(unit__code="A2-TB6").state == "not yet"
    go_to(yard, opens_on)
    assert DueLine.objects.get(unit__code="A2-TB6").state == "window open"


def test_a_rule_that_begins_later_takes_its_units_along(yard):
    go_to(yard, TODAY)
    rule = IntervalRule.objects.get()
    starts = TODAY + datetime.timedelta(days=5)
    RuleVersion.objects.create(rule=rule, applies_from=starts, interval_km=22_000)
    go_to(yard, starts - datetime.timedelta(days=1))
    assert DueLine.objects.get(unit__code="A1-TB6").state == "not yet"
    go_to(yard, starts)
    assert DueLine.objects.get(unit__code="A1-TB6").state == "window open"


def test_a_factor_that_ends_by_date_moves_its_line_without_news(yard):
    SeverityFactor.objects.create(
        unit=Fitting.objects.get(vehicle__number="A1").unit, reason="towing", factor=2.0, source="house",
        applies_from=TODAY - datetime.timedelta(days=100), ends_on=TODAY + datetime.timedelta(days=5),
    )  # fmt: skip
    fleet_mark()
    go_to(yard, TODAY + datetime.timedelta(days=4))
    before = DueLine.objects.get(unit__code="A1-TB6").due_on
    go_to(yard, TODAY + datetime.timedelta(days=5))
    assert (DueLine.objects.get(unit__code="A1-TB6").due_on - before).days > 60


EVENTS = st.lists(
    st.tuples(
        st.sampled_from(
            ["days", "reading", "job", "rule", "severity", "severity later", "scheduled", "deferral", "recall",
             "recall closed", "leaving", "by hand"]
        ),
        st.integers(1, 6), st.integers(1, 40),
    ),
    min_size=1, max_size=9,
)  # fmt: skip


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(EVENTS)
def test_after_any_events_it_ends_like_a_full_run(yard, events):
    with transaction.atomic():
        day = TODAY
        go_to(yard, day)
        for kind, which, much in events:
            happen(kind, f"A{which}", much, day)
            day += datetime.timedelta(days=much if kind == "days" else 1)
            go_to(yard, day)
            assert shown() == shown_after_a_full_run(yard, day)
        transaction.set_rollback(True)
    clock.pin(datetime.datetime.combine(TODAY, datetime.time(4, 30), datetime.UTC))


def happen(kind, number, much, day):
    vehicle = Vehicle.objects.get(number=number)
    if kind == "reading":
        meter = Meter.objects.get(vehicle=vehicle)
        last = meter.readings.filter(status="accepted").order_by("-read_at").first()
        reading_record(meter, str(int(last.raw_value + 60 * much)), source="workshop", person=PersonFactory())
    elif kind == "job":
        LastService.objects.filter(unit__fittings__vehicle=vehicle).update(done_on=day, age_km=1000.0 * much)
        vehicles_mark([vehicle.pk])
    elif kind == "rule":
        RuleVersion.objects.get_or_create(
            rule=IntervalRule.objects.get(), applies_from=day + datetime.timedelta(days=1),
            defaults={"interval_km": 40_000.0 + 1_000 * much, "interval_months": 48},
        )  # fmt: skip
    elif kind == "severity":
        unit = Fitting.objects.get(vehicle=vehicle).unit
        SeverityFactor.objects.create(
            unit=unit, reason=f"hills {much} {day}", factor=1.0 + much / 100, source="house", applies_from=day
        )
        vehicles_mark([vehicle.pk])
    elif kind == "severity later":
        begins = day + datetime.timedelta(days=2)
        SeverityFactor.objects.create(
            unit=Fitting.objects.get(vehicle=vehicle).unit, reason=f"towing {much} {day}", factor=1.5,
            source="house", applies_from=begins, ends_on=begins + datetime.timedelta(days=much),
        )  # fmt: skip
    elif kind == "scheduled":
        LastService.objects.filter(unit__fittings__vehicle=vehicle).update(
            scheduled_unit_km=F("unit_km") + 100 * (much - 20)
        )
        RuleVersion.objects.update(cadence=RuleVersion.Cadence.FROM_SCHEDULED)
        fleet_mark()
    elif kind in ("deferral", "recall", "recall closed"):
        hold_back(kind, vehicle, much, day)
    elif kind == "leaving":
        Vehicle.objects.filter(pk=vehicle.pk).update(leaves_on=day + datetime.timedelta(days=much))
        vehicles_mark([vehicle.pk])
    elif kind == "by hand":
        fleet_mark()


def hold_back(kind, vehicle, much, day):
    if kind == "deferral":
        line = DueLine.objects.filter(vehicle=vehicle).first()
        meter = Meter.objects.get(vehicle=vehicle)
        total = meter.readings.filter(status="accepted").order_by("-read_at").first().true_total
        if line and not Hold.objects.filter(unit=line.unit, from_day=day).exists():
            Hold.objects.create(
                vehicle=vehicle, unit=line.unit, rule=line.rule, kind="deferral", reason="no spare", from_day=day,
                until=day + datetime.timedelta(days=much), until_meter=meter, until_total=total + 50 * much,
                signed_by="Ines",
            )  # fmt: skip
            vehicles_mark([vehicle.pk])
    elif kind == "recall":
        recall, _ = Recall.objects.get_or_create(
            code=f"R-{vehicle.number}-{day}",
            defaults={
                "title": "x", "source": "y", "kind": Recall.Kind.values[much % 3],
                "from_day": day + datetime.timedelta(days=much % 4),
            },
        )  # fmt: skip
        recall.unit_models.set(UnitModel.objects.filter(code="TB6") if much % 2 else [])
        recall.vehicles.set([vehicle])
        vehicles_mark([vehicle.pk] if recall.from_day <= day else [])
    elif kind == "recall closed":
        for recall in Recall.objects.exclude(closings__vehicle=vehicle).filter(vehicles=vehicle):
            RecallClosing.objects.create(
                recall=recall,
                vehicle=vehicle,
                closed_on=max(day, recall.from_day),
                closed_by="Bea",
                how="done",
            )
        vehicles_mark([vehicle.pk])
