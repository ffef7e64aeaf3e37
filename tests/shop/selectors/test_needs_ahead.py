"""The jobs of the weeks ahead: in columns as row by row, in the weeks their clocks say, an ordinary unit no object."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from django.db.models import F

from intervals.due import probability_due_by
from shop import clock
from shop.models import Fitting, Job, Reading, RuleVersion, SeverityFactor, Vehicle
from shop.planning.weeks import week_begins
from shop.selectors import needs_ahead
from shop.selectors.core_inputs import gather
from shop.selectors.line_columns import recorded_lines
from shop.selectors.needs import HOUSE_TURNS_UP_SHARE
from tests.objects import objects_made
from tests.shop.web.conftest import NOW, TODAY, Yard

BEGINS = week_begins(TODAY, 26)


@pytest.fixture
def yard(db):
    clock.pin(NOW)
    yard = Yard()
    for number, used_km in (("K01", 57_000), ("K02", 70_514), ("K08", 61_300), ("K13", 20_000)):
        yard.add(number, used_km)
    yard.run()
    yield yard
    clock.pin(None)


def ahead(yard: Yard) -> needs_ahead.ProductAhead:
    return needs_ahead.jobs_by_week(TODAY, [yard.depot.pk], BEGINS)[yard.product.pk]


def rows(found: needs_ahead.ProductAhead) -> list[tuple[float, ...]]:
    jobs = found.jobs
    return [
        (unit, litres, sd, *chances)
        for unit, litres, sd, chances in zip(
            jobs.unit.tolist(),
            jobs.litres.tolist(),
            jobs.litres_sd.tolist(),
            jobs.chances.tolist(),
            strict=True,
        )
    ]


def test_the_jobs_are_the_same_read_in_columns_and_row_by_row(yard, monkeypatch):
    for step in range(8):
        yard.add(f"L{step}", 40_000 + 3_000 * step)
    yard.add("L8", 50_000, per_day_km=600.0)
    yard.run()
    own = yard.line("K01").unit
    own.figures.create(figure="overnight_drain_l", value=5.9, measured_in="L", source="house")
    nonsense = yard.line("L0").unit
    nonsense.figures.create(figure="total_fill_l", value=1.0, measured_in="L", source="house")
    SeverityFactor.objects.create(
        unit=yard.line("L1").unit, reason="hills", factor=1.2, source="house", applies_from="2020-01-01"
    )
    Vehicle.objects.filter(number="L2").update(turns_up_share=0.5, passes_gate_share=0.8)
    Vehicle.objects.filter(number="L3").update(spare_from=TODAY + datetime.timedelta(days=40))
    Vehicle.objects.filter(number="L4").update(leaves_on=TODAY + datetime.timedelta(days=90))
    booked = yard.line("L5")
    Job.objects.create(
        code="J1", vehicle=booked.vehicle, unit=booked.unit, subject="fluid", state=Job.State.BOOKED,
        booked_for=NOW + datetime.timedelta(days=15),
    )  # fmt: skip
    yard.run()
    in_columns = ahead(yard)
    by_row = []

    def nothing_ordinary(as_of, unit_pks, subject):
        by_row.extend(unit_pks)
        return replace(recorded_lines(as_of, unit_pks[:0], subject), others=unit_pks)

    monkeypatch.setattr(needs_ahead, "recorded_lines", nothing_ordinary)
    one_by_one = ahead(yard)
    assert len(by_row) == Fitting.objects.count()
    assert in_columns.unplanned == one_by_one.unplanned
    assert [unit for unit, _ in in_columns.unplanned] == [nonsense.pk]
    assert len(in_columns.jobs.unit) > len(set(in_columns.jobs.unit)) == 11
    for fast, slow in zip(rows(in_columns), rows(one_by_one), strict=True):
        assert fast == pytest.approx(slow, abs=1e-12)


def test_a_job_comes_as_surely_by_each_week_as_it_falls_due_though_the_calendar_makes_it_certain(yard):
    """By hand: last job 300 days ago and 14 months allowed: certain in some 127 days; 48 000 of 60 000 km at 150 a day
    are over in 80, give or take weeks of which every other one has 600 km more."""
    RuleVersion.objects.update(interval_months=14)
    unit = yard.add("M1", 48_000)
    uneven = Reading.objects.filter(meter__vehicle__number="M1").order_by("read_at")[1::2]
    Reading.objects.filter(pk__in=[one.pk for one in uneven]).update(true_total=F("true_total") + 600)
    yard.run()
    inputs = gather(TODAY, Fitting.objects.filter(unit=unit))
    by_end = np.array(
        [
            probability_due_by(
                inputs.distance,
                inputs.hours,
                inputs.time,
                float((begin - TODAY).days + 6 if begin > TODAY else 6),
            )[0]
            for begin in BEGINS
        ]
    )
    assert by_end[-1] == 1.0
    found = ahead(yard).jobs
    chances = found.chances[np.flatnonzero(found.unit == unit.pk)[0]]
    assert ((chances > 0.02) & (chances < 0.9)).sum() >= 2
    # What is due before the first week it can be booked in is done in that week.
    first = np.flatnonzero(chances > 0)[0]
    assert np.cumsum(chances)[first:] == pytest.approx(HOUSE_TURNS_UP_SHARE * by_end[first:])


def test_an_ordinary_unit_becomes_no_object(yard):
    def made() -> int:
        with objects_made() as seen:
            assert len(ahead(yard).jobs.unit) > 0
        return len(seen)

    made()
    before = made()
    for step in range(6):
        yard.add(f"L{step}", 57_000 + 500 * step)
    yard.run()
    assert made() == before
