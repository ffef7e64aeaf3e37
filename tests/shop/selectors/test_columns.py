"""Columns read past the application, and what they come to beside the same read row by row."""

import datetime

import numpy as np
import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from intervals.due import NOT_YET
from intervals.usage import Usage
from shop import clock
from shop.models import (
    Fitting,
    IntervalRule,
    LastService,
    Meter,
    MeterUse,
    Reading,
    RuleVersion,
    Unit,
    UnitModel,
    Vehicle,
)
from shop.selectors.column_reading import (
    MOST_SPANS,
    UNKNOWN,
    day_number,
    one_of,
    place_of,
    rank_in,
    read_columns,
    seconds,
    taken,
)
from shop.selectors.due_columns import COMPARED, EVERY_DAY
from shop.selectors.line_columns import gather_columns
from shop.selectors.meter_usage import kept_usage, usage_columns
from shop.services.due import by_columns, row_by_row
from shop.services.kept_use import use_keep
from tests.factories import MeterFactory, ReadingFactory
from tests.shop.web.conftest import NOW, TODAY, Yard

EXACT = [name for name in COMPARED if name not in ("next_change_on", "overlays")]
"""`next_change_on` is cautious row by row once a window is open: what moves beside use may change any day."""


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yield Yard()
    clock.pin(None)


def unit_keys() -> np.ndarray:
    return np.array(sorted(Fitting.objects.values_list("unit", flat=True)), dtype=np.float64)


def sorted_by_unit(columns):
    order = np.lexsort((columns["rule_id"], columns["unit_id"]))
    return {name: column[order] for name, column in columns.items()}


def test_days_instants_texts_and_nothing_come_as_numbers(db):
    reading = ReadingFactory(read_at=datetime.datetime(2026, 2, 28, 23, 30, 15, tzinfo=datetime.UTC))
    source, params = rank_in("r.source", ["driver", reading.source])
    found = read_columns(
        {
            "day": day_number("r.read_on"), "at": seconds("r.read_at"), "source": source,
            "other": rank_in("r.source", [])[0], "guess": "r.guess_value",
        },
        f"from shop_reading r where {one_of('r.id', np.array([reading.pk, 0.0]))}",
        params,
    )  # fmt: skip
    assert found["day"].tolist() == [reading.read_on.toordinal()]
    assert found["at"][0] == pytest.approx(reading.read_at.timestamp(), abs=0.01)
    assert found["source"].tolist() == [1.0]
    assert np.isnan(found["other"]).all()
    assert np.isnan(found["guess"]).all()


def test_no_rows_are_no_numbers(db):
    found = read_columns({"id": "r.id"}, f"from shop_reading r where {one_of('r.id', np.empty(0))}")
    assert found["id"].shape == (0,)


MOST_KEY = 3_000
SPANS_OF_KEYS = st.lists(
    st.tuples(st.integers(1, MOST_KEY), st.integers(1, 900), st.sampled_from([1, 1, 2, 3, 7, 40])), max_size=6
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(spans=SPANS_OF_KEYS, single=st.lists(st.integers(1, MOST_KEY), max_size=60), order=st.randoms())
def test_rows_are_kept_by_their_keys_however_these_lie(db, spans, single, order):
    keys = [key for first, many, step in spans for key in range(first, first + many * step, step)] + single
    order.shuffle(keys)
    found = read_columns(
        {"key": "n.key"},
        f"from (with recursive up(key) as (select 1 union all select key + 1 from up where key < {MOST_KEY}) "
        f"select key from up) n where {one_of('n.key', np.array(keys, dtype=np.float64))}",
    )
    assert sorted(found["key"].tolist()) == sorted({key for key in keys if key <= MOST_KEY})


@pytest.mark.parametrize(
    ("keys", "spans", "is_named"),
    [
        ([*range(1, 2_001)], 1, False),
        ([*range(1, 1_001), *range(5_001, 6_001)], 2, False),
        ([*range(1, 2_001, 2)], 1, True),
        ([*range(1, 100_001, 50)], 0, True),
        ([*range(1, 50)], 0, True),
        ([key for first in range(0, 200_000, 2_000) for key in range(first, first + 900)], MOST_SPANS, True),
    ],
)
def test_keys_that_lie_close_are_read_in_few_spans(db, keys, spans, is_named):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite takes keys one by one")
    sql = one_of("n.key", np.array(keys, dtype=np.float64))
    assert (sql.count("between"), "::bigint[]" in sql) == (spans, is_named)


def test_keys_are_found_in_any_order():
    places = place_of(np.array([7.0, 3.0, 5.0]), np.array([5.0, 9.0, 7.0]))
    assert places.tolist() == [2, UNKNOWN, 0]
    assert taken(np.array([50.0, 90.0, 70.0]), places)[[0, 2]].tolist() == [70.0, 50.0]
    assert np.isnan(taken(np.array([50.0, 90.0, 70.0]), places)[1])
    assert place_of(np.array([1.0]), np.empty(0)).tolist() == [UNKNOWN]


FLEETS = st.lists(
    st.tuples(
        st.integers(100, 70_000),  # km since the last job
        st.integers(0, 400),  # km a day
        st.sampled_from([None, 0.0, 12_000.0, 90_000.0]),  # carried km
        st.sampled_from([None, 0, 30, 400, 1_500]),  # days since the last job
        st.sampled_from([None, 9_000.0]),  # longest run earned
        st.sets(st.sampled_from(list(Meter.Kind))),  # its meters
        st.booleans(),  # a unit whose hours are those of the power take-off
        st.sampled_from([None, 9.0, 18.0]),  # average speed, km/h
        st.sampled_from([0.0, 350.0]),  # totals when it was fitted
        st.integers(0, 13),  # readings
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    fleet=FLEETS,
    policy=st.sampled_from(["full credit", "age credit"]),
    hours=st.sampled_from([None, 500.0]),
    months=st.sampled_from([None, 12]),
)
def test_columns_come_to_the_same_as_row_by_row(yard, fleet, policy, hours, months):
    for model in (Fitting, Unit, Vehicle):
        model.objects.all().delete()
    pumps, _ = UnitModel.objects.get_or_create(
        code="PUMP", kind=UnitModel.Kind.HYDRAULICS, hours_meter=Meter.Kind.TAKE_OFF
    )
    rule, _ = IntervalRule.objects.get_or_create(unit_model=pumps)
    RuleVersion.objects.get_or_create(rule=rule, applies_from="2018-01-01", interval_km=60_000)
    RuleVersion.objects.update(policy=policy, interval_h=hours, interval_months=months)
    for number, row in enumerate(fleet):
        used_km, per_day_km, carried, days, earned, kinds, is_pump, km_h, at_fit, readings = row
        unit = yard.add(f"A{number}", used_km, per_day_km)
        vehicle = Vehicle.objects.get(number=f"A{number}")
        kept = Reading.objects.filter(meter__vehicle=vehicle).order_by("-read_at")[:readings]
        Reading.objects.filter(meter__vehicle=vehicle).exclude(pk__in=[own.pk for own in kept]).delete()
        if Meter.Kind.ODOMETER not in kinds:
            vehicle.meters.all().delete()
        for days_ago, kind in enumerate(sorted(kinds - {Meter.Kind.ODOMETER}), start=3):
            meter = MeterFactory(vehicle=vehicle, kind=kind, shown_in="h", class_rate_per_day=days_ago + 1)
            read_at = NOW - datetime.timedelta(days=days_ago)
            ReadingFactory(meter=meter, read_at=read_at, raw_value=700 + 40 * days_ago)
        Vehicle.objects.filter(pk=vehicle.pk).update(average_speed_km_h=km_h)
        Fitting.objects.update(vehicle_km_at_fit=at_fit, unit_h_at_fit=at_fit)
        if is_pump:
            Unit.objects.filter(pk=unit.pk).update(unit_model=pumps)
        done_on = None if days is None else TODAY - datetime.timedelta(days=days)
        LastService.objects.filter(unit=unit).update(
            age_km=carried, done_on=done_on, run_limit_km=earned, unit_h=400
        )
    units = unit_keys()
    use_keep(units)
    fast = sorted_by_unit(by_columns(TODAY, gather_columns(TODAY, units)))
    slow = sorted_by_unit(row_by_row(TODAY, units))
    assert fast["unit_id"].tolist() == slow["unit_id"].tolist()
    for name in EXACT:
        np.testing.assert_array_equal(fast[name], slow[name], err_msg=name)
    np.testing.assert_allclose(fast["used_share"], slow["used_share"], rtol=1e-12)
    is_ahead = slow["state"] == NOT_YET
    np.testing.assert_array_equal(fast["next_change_on"][is_ahead], slow["next_change_on"][is_ahead])
    assert (slow["next_change_on"][~is_ahead] == EVERY_DAY.toordinal()).all()


def test_units_out_of_the_ordinary_are_named_and_left_out(yard):
    yard.add("A1", 20_000)
    leaving = yard.add("A2", 20_000)
    Vehicle.objects.filter(number="A2").update(leaves_on=TODAY + datetime.timedelta(days=90))
    found = gather_columns(TODAY, unit_keys())
    assert found.others.tolist() == [leaving.pk]
    assert leaving.pk not in found.unit


def test_what_is_kept_is_what_the_readings_come_to(yard):
    for number, per_day_km in (("A1", 150.0), ("A2", 0.0), ("A3", 33.3)):
        yard.add(number, 20_000, per_day_km)
    use_keep(unit_keys())
    vehicles = np.array(list(Vehicle.objects.values_list("pk", flat=True)), dtype=np.float64)
    for day in (TODAY, TODAY - datetime.timedelta(days=20)):
        meters, kept = kept_usage(vehicles, day)
        anew = usage_columns(meters["meter"], meters["class_rate"], day)
        for name in Usage.__slots__:
            np.testing.assert_array_equal(getattr(kept, name), getattr(anew, name), err_msg=name)


def test_the_database_drops_what_is_kept_with_any_news(yard):
    yard.add("A1", 20_000)
    yard.add("A2", 20_000)
    mine, other = (Meter.objects.get(vehicle__number=number) for number in ("A1", "A2"))
    reading = mine.readings.first()
    later = NOW - datetime.timedelta(hours=1)
    strays = [
        ReadingFactory(meter=one, read_at=NOW - datetime.timedelta(hours=place + 2), raw_value=100_050)
        for place, one in enumerate((other, mine))
    ]
    news = {
        "a reading added": lambda: ReadingFactory(meter=mine, read_at=later, raw_value=100_100),
        "many added": lambda: Reading.objects.bulk_create(
            [
                Reading(
                    meter=mine,
                    read_at=NOW,
                    read_on=TODAY,
                    source="driver",
                    raw_text="1",
                    raw_value=1,
                    true_total=1,
                )
            ]
        ),
        "one refused": lambda: Reading.objects.filter(pk=reading.pk).update(status="refused"),
        "one given to it": lambda: Reading.objects.filter(pk=strays[0].pk).update(meter=mine),
        "one deleted": lambda: mine.readings.last().delete(),
        "another class": lambda: Meter.objects.filter(pk=mine.pk).update(class_rate_per_day=77),
    }
    for what, happen in news.items():
        use_keep(unit_keys())
        assert MeterUse.objects.filter(meter=mine).exists(), what
        happen()
        assert not MeterUse.objects.filter(meter=mine).exists(), what
    use_keep(unit_keys())
    Reading.objects.filter(pk=strays[1].pk).update(meter=other)
    assert not MeterUse.objects.exists()


def test_a_day_no_calendar_reaches_is_no_day(yard):
    unit = yard.add("A1", 20_000, per_day_km=0.001)
    RuleVersion.objects.update(interval_months=None)
    use_keep(unit_keys())
    found = by_columns(TODAY, gather_columns(TODAY, unit_keys()))
    assert found["unit_id"].tolist() == [unit.pk]
    assert [np.isnan(found[name][0]) for name in ("due_on", "late_on", "next_change_on")] == [True] * 3
