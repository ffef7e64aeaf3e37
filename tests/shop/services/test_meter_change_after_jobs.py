"""A change of a meter noted after jobs leaves what it would have left had it been noted before them."""

import datetime

import pytest
from django.db import transaction

from shop.models import ChangeRecord, Fitting, Job, LastService, Meter, MeterChange, Reading, RuleVersion
from shop.services.job_consequences import stood
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from tests.factories import MeterFactory, ReadingFactory
from tests.shop.services.test_samples import Bay

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

CHANGED = datetime.date(2026, 1, 22)
FIRST, SECOND = datetime.date(2026, 2, 10), datetime.date(2026, 3, 9)
QUICK = {"method": "drain-and-refill", "out_l": 3.5, "in_l": 3.5}
TOO_MUCH_KM = 1_500.0
"""The old cluster ended at 95 000 and the used one began at 96 500."""


def change(bay: Bay):
    meter = Meter.objects.get(vehicle__number="K01", kind="odometer")
    return meter_change_enter(
        bay.foreman, meter, day=CHANGED, kind="replaced", last_old="95000", first_new="96500"
    ).change


def jobs(bay: Bay) -> None:
    bay.close(done_on=FIRST, meter_text="98000", **QUICK)
    bay.close(done_on=SECOND, meter_text="100100", **QUICK)


def state() -> dict[str, object]:
    """Return all that is stored of the jobs, the readings and where the unit stands; keys and labels left out."""
    rows = [
        (job.code, job.unit_km, job.unit_h, without_keys(job.stood_before))
        for job in Job.objects.order_by("done_on")
    ]
    totals = list(Reading.objects.order_by("read_at").values_list("status", "true_total"))
    return {"stands": without_keys(stood(LastService.objects.get())), "jobs": rows, "readings": totals}


def without_keys(row: dict[str, object]) -> dict[str, object]:
    return {name: value for name, value in row.items() if name not in ("job_id", "product_id", "batch")}


def bare(bay: Bay) -> None:
    LastService.objects.all().delete()


def typed_after_the_change(bay: Bay) -> None:
    """The service before was typed in, of a day behind the change: what it showed then counts anew as well."""
    moved = TOO_MUCH_KM if MeterChange.objects.exists() else 0.0
    LastService.objects.update(done_on="2026-02-01", unit_km=97_500.0 - moved, age_km=0)


def with_a_schedule(bay: Bay) -> None:
    """A quick drain is all the rule counts on, and the first job is done inside its window."""
    RuleVersion.objects.update(assumed_freshness_share=0.2, interval_km=54_000)


def with_hours(bay: Bay) -> None:
    meter = MeterFactory(
        vehicle=Fitting.objects.get().vehicle, kind=Meter.Kind.HOURS, shown_in="h", class_rate_per_day=3
    )
    ReadingFactory(
        meter=meter, read_at=datetime.datetime(2026, 2, 9, 4, tzinfo=datetime.UTC), raw_value=2_000.0
    )


@pytest.mark.parametrize("so", [lambda bay: None, bare, typed_after_the_change, with_a_schedule, with_hours])
def test_the_order_of_noting_makes_no_difference(so) -> None:
    """The independent way to the same state: the change first, then the jobs, each worked out once at its close."""
    states = []
    for is_first in (True, False):
        with transaction.atomic():
            bay = Bay()
            if is_first:
                change(bay)
            so(bay)
            jobs(bay)
            if not is_first:
                change(bay)
            states.append(state())
            transaction.set_rollback(True)
    assert_same(*states)


def assert_same(one: object, other: object, path: str = "") -> None:
    """Compare to nine places, whatever the order of additions."""
    if isinstance(one, dict):
        assert one.keys() == other.keys(), path
        for key in one:
            assert_same(one[key], other[key], f"{path}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), path
        for at, pair in enumerate(zip(one, other, strict=True)):
            assert_same(*pair, f"{path}[{at}]")
    else:
        assert one == pytest.approx(other, rel=1e-9) if isinstance(one, float) else one == other, path


def test_age_and_limits_are_worked_out_again_and_the_record_says_why() -> None:
    """Mass balance by hand: what stayed is as old as before, so age after = (1 - share) x (age before + run).

    43 450 km to 96 500 and 2 100 km more. The limit is what was left plus the share of 60 000; what was left is the
    lesser of 60 000 less the age carried and the limit the first job set.
    """
    bay = Bay()
    jobs(bay)
    first, second = Job.objects.order_by("done_on")
    share = second.fresh_share
    assert (first.fresh_share, 0.2 < share < 0.4) == (share, True)
    before = stood(LastService.objects.get())
    done = change(bay)
    last = LastService.objects.get()
    age_first = (1 - share) * (96_500 - 43_450)
    limit_first = 60_000 - (96_500 - 43_450) + share * 60_000
    assert last.unit_km == pytest.approx(98_600)
    assert last.age_km == pytest.approx((1 - share) * (age_first + 2_100), rel=1e-9)
    left = min(limit_first, 60_000 - age_first) - 2_100
    assert last.run_limit_km == pytest.approx(left + share * 60_000, rel=1e-9)
    assert last.job == second
    note = ChangeRecord.objects.filter(table="last service", after__has_key="why").get()
    assert note.before["age_km"] == pytest.approx(before["age_km"])
    assert note.after["age_km"] == last.age_km
    assert note.after["why"] == "change of the odometer on 2026-01-22 counts anew"
    meter_change_withdraw(bay.foreman, done, "it was another van")
    assert_same(stood(LastService.objects.get()), before)


def test_what_was_typed_since_keeps_its_age() -> None:
    """A row put right by hand after its job is not worked out over; its total alone moves."""
    bay = Bay()
    jobs(bay)
    LastService.objects.update(done_on="2026-03-10", unit_km=100_200, age_km=7_000)
    change(bay)
    last = LastService.objects.get()
    assert (last.unit_km, last.age_km) == (98_700, 7_000)


def test_a_unit_that_left_its_vehicle_keeps_the_limit_its_rule_gave() -> None:
    bay = Bay()
    jobs(bay)
    before = LastService.objects.get()
    Fitting.objects.update(removed_on="2026-03-10")
    change(bay)
    last = LastService.objects.get()
    assert last.age_km < before.age_km
    assert last.run_limit_km == before.run_limit_km is not None
