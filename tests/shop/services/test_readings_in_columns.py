"""A batch worked in columns ends as the same batch worked row by row, each reading judged with all others."""

import datetime
import json
import random
import zoneinfo

import pytest
from django.db import transaction

from intervals.errors import QuantityError
from shop import clock
from shop.models import ChangeRecord, DueLine, Mark, Meter, MeterChange, Reading, StateChange
from shop.services import readings
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.meter_history import shown_value
from shop.services.reading_columns import ReadingRow
from shop.services.reading_judging import are_ordinary, judge_all, meters_held, reading_key, reading_shown
from shop.services.readings import readings_record
from tests.factories import MeterFactory, PersonFactory, ReadingFactory
from tests.shop.web.conftest import NOW, TODAY, Yard

LIMIT = NOW + datetime.timedelta(hours=1)
ODD_VALUES = ["-5", "57,000", "nan", "", "12 apples", "1e5", "9" * 20, "\u0663\u0664"]
ODD_UNITS = ["furlong", "mi", "km", "h", "hh:mm"]


@pytest.fixture
def meters(db):
    """Meters of every sort: with much, little and nothing behind them, changed, in two depots, kept and not kept."""
    clock.pin(NOW)
    near, far = Yard("UY"), Yard("FY")
    type(far.depot).objects.filter(pk=far.depot.pk).update(time_zone="Pacific/Auckland")
    for place, yard in enumerate([near, near, near, near, far, far]):
        yard.add(f"V{place}", 59_500 - 9_000 * place, per_day_km=40 + 30 * place)
    found = list(Meter.objects.order_by("pk").select_related("vehicle__depot"))
    Meter.objects.filter(pk=found[1].pk).update(shown_in="mi")
    MeterChange.objects.create(
        meter=found[2], day=TODAY - datetime.timedelta(days=30), kind="replaced", last_old=96_000, first_new=5
    )
    found.append(MeterFactory(vehicle=found[0].vehicle, kind="engine hours", shown_in="hh:mm"))
    for weeks in range(13):
        at = NOW - datetime.timedelta(days=7 * weeks, hours=3)
        ReadingFactory(meter=found[-1], read_at=at, raw_value=4_000 - 20 * weeks, source="workshop")
    found.append(
        MeterFactory(vehicle=found[4].vehicle, kind="engine hours", shown_in="h", class_rate_per_day=6)
    )
    Reading.objects.filter(meter__in=found[:5], read_on=TODAY).delete()
    due_refresh_now([meter.vehicle_id for meter in found[:3]] + [found[4].vehicle_id])
    yield list(Meter.objects.order_by("pk").select_related("vehicle__depot"))
    clock.pin(None)


def batch(dice: random.Random, meters: list[Meter]) -> list[ReadingRow]:
    rows: list[ReadingRow] = []
    for _ in range(dice.randint(0, 40)):
        if rows and dice.random() < 0.15:
            again = dice.choice(rows)
            rows.append(again if dice.random() < 0.6 else again._replace(value=again.value + "1"))
            continue
        meter = dice.choice(meters)
        last = meter.readings.order_by("-read_at").first()
        read_at = NOW + datetime.timedelta(
            days=dice.choice([0, 0, 0, 0, -1, -3, -9, -40, 1]), hours=dice.choice([0, -2, -3, -4, -11]),
            microseconds=dice.choice([0, 0, 1, 250_000]),
        )  # fmt: skip
        read_at = dice.choice([read_at, read_at, read_at.astimezone(zoneinfo.ZoneInfo("Europe/Berlin"))])
        read_at = read_at.replace(tzinfo=None) if dice.random() < 0.04 else read_at
        value = (last.raw_value if last else 0) + dice.choice(
            [0, 0.5, 20, 90, 90.3, 400, -30, -2_000, 60_000]
        )
        text = dice.choice([f"{value:.1f}", f"{value:.1f}", repr(value), f"{int(value):,}".replace(",", " ")])
        if meter.shown_in == "hh:mm":
            text = f"{int(value)}:{dice.randint(0, 61):02}"
        text = dice.choice(ODD_VALUES) if dice.random() < 0.08 else text
        unit = dice.choice(ODD_UNITS) if dice.random() < 0.15 else dice.choice(["", meter.shown_in])
        source = "hearsay" if dice.random() < 0.04 else dice.choice(Reading.Source.values)
        rows.append(ReadingRow(meter.pk, read_at, source, text, unit))
    held = list(Reading.objects.order_by("pk"))
    for one in dice.sample(held, dice.randint(0, 5)):
        rows.append(
            ReadingRow(one.meter_id, one.read_at, one.source, f"{one.raw_value + dice.choice([0, 7]):g}")
        )
    dice.shuffle(rows)
    return rows


def row_by_row(rows: list[ReadingRow], meters: list[Meter], person) -> dict[str, object]:
    """Store a batch with an object for each reading and the full judgement for all of them."""
    by_pk = {meter.pk: meter for meter in meters}
    kept = {(one.meter_id, one.read_at, one.source): one for one in Reading.objects.all()}
    fresh, refused, unchanged = {}, [], set()
    for place, row in enumerate(rows):
        why = unusable(row, by_pk[row.meter_id])
        if why:
            refused.append((place, *why))
            continue
        meter = by_pk[row.meter_id]
        zone = zoneinfo.ZoneInfo(meter.vehicle.depot.time_zone)
        reading = Reading(
            meter=meter, read_at=row.read_at.astimezone(datetime.UTC), read_on=row.read_at.astimezone(zone).date(),
            source=row.source, raw_text=f"{row.value} {row.unit}".strip()[:32],
            raw_value=shown_value(row.value, meter, row.unit),
        )  # fmt: skip
        held = kept.setdefault((reading.meter_id, reading.read_at, reading.source), reading)
        if held is reading:
            fresh[place] = reading
        elif abs(held.raw_value - reading.raw_value) <= 1e-9 * max(1.0, held.raw_value):
            unchanged.add(place)
        else:
            sentence = f"{row.value} differs from the {held.raw_text} already kept from the same source and instant; "
            remedy = "a reading is never overwritten. Give the right time of the second one."
            refused.append((place, "value", sentence + remedy))
    judge_all(fresh.values(), meters_held({reading.meter_id for reading in fresh.values()}))
    for reading in fresh.values():
        reading.save(force_insert=True)
    changes_write(
        [change_note(one, reading_key(one), after=reading_shown(one)) for one in fresh.values()],
        person=person,
    )
    due_refresh_now({reading.meter.vehicle_id for reading in fresh.values()})
    asked = {place: one.question for place, one in fresh.items() if one.status == "asked"}
    return {"added": set(fresh), "unchanged": unchanged, "refused": refused, "asked": asked}


def unusable(row: ReadingRow, meter: Meter) -> tuple[str, str] | None:
    if row.source not in Reading.Source.values:
        return "source", f"“{row.source}” is no source; allowed: {', '.join(Reading.Source.values)}."
    if row.read_at.tzinfo is None:
        return "read_at", "the instant has no time zone; give one."
    if row.read_at > LIMIT:
        return "read_at", f"{row.read_at:%Y-%m-%d %H:%M} is in the future; give the time it was read."
    try:
        shown = shown_value(row.value, meter, row.unit)
    except QuantityError as error:
        return "value", str(error)
    if shown < 0:
        return "value", f"{row.value} is below zero; a meter shows zero or more. Read it again."
    return None


def in_columns(rows: list[ReadingRow], meters: list[Meter], person) -> dict[str, object]:
    report = readings_record(rows, person)
    stored = {place: pk for place, pk in enumerate(report.ids) if pk is not None}
    assert set(stored) == report.added | report.unchanged
    for place, pk in stored.items():
        reading = Reading.objects.get(pk=pk)
        assert (reading.meter_id, reading.source) == (rows[place].meter_id, rows[place].source)
        assert reading.read_at == rows[place].read_at
    return {name: getattr(report, name) for name in ("added", "unchanged", "refused", "asked")}


def everything() -> dict[str, list[str]]:
    """Return all rows a batch may touch, in the order they came, as text, so that 5 and 5.0 are not the same."""
    tables = {Reading: ["id"], ChangeRecord: ["id"], DueLine: ["id"], Mark: [], StateChange: ["id"]}
    found = {}
    for table, left_out in tables.items():
        names = [one.attname for one in table._meta.concrete_fields if one.attname not in left_out]
        order = ("unit", "rule") if table is DueLine else ("pk",)
        order = ("unit", "rule", "day") if table is StateChange else order
        found[table.__name__] = [
            json.dumps(dict(zip(names, row, strict=True)), default=str, sort_keys=True)
            for row in table.objects.order_by(*order).values_list(*names)
        ]
    return found


@pytest.mark.parametrize("seed", range(40))
def test_a_batch_in_columns_ends_as_row_by_row(meters, monkeypatch, seed):
    dice = random.Random(seed)
    monkeypatch.setattr(readings, "JUDGED_AT_ONCE", dice.choice([1, 3, 7, 20_000]))
    person = PersonFactory()
    for _ in range(2):
        rows = batch(dice, meters)
        ends = []
        for way in (row_by_row, in_columns):
            with transaction.atomic():
                ends.append((way(rows, meters, person), everything()))
                transaction.set_rollback(way is row_by_row)
        assert ends[1] == ends[0]


def test_the_batches_hold_every_outcome(meters, monkeypatch):
    person, seen = PersonFactory(), set()

    def noted(fresh):
        is_ordinary = are_ordinary(fresh)
        seen.update("ordinary" if one else "not ordinary" for one in is_ordinary)
        return is_ordinary

    monkeypatch.setattr(readings, "are_ordinary", noted)
    for seed in range(40):
        rows = batch(random.Random(seed), meters)
        with transaction.atomic():
            found = row_by_row(rows, meters, person)
            transaction.set_rollback(True)
        seen |= {name for name in ("added", "unchanged", "asked") if found[name]}
        seen |= {field for _, field, _ in found["refused"]}
        with transaction.atomic():
            in_columns(rows, meters, person)
            transaction.set_rollback(True)
        seen |= {"held" for _, _, sentence in found["refused"] if "never overwritten" in sentence}
    outcomes = {"added", "unchanged", "asked", "source", "read_at", "value", "held"}
    assert seen == outcomes | {"ordinary", "not ordinary"}
