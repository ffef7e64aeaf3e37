"""Closing jobs that are not the plain case: partial, repeated, of unknown history, in another vehicle."""

import datetime
from collections.abc import Callable

import pytest

from shop import clock
from shop.errors import ConflictError, InputError
from shop.models import (
    DueLine,
    Fitting,
    Job,
    LastService,
    Meter,
    Person,
    ProposedLine,
    Reservation,
    StockItem,
    Unit,
    Vehicle,
)
from shop.selectors.exchange import plan_for_unit
from shop.selectors.stock import pick_lists
from shop.services.jobs import JobReport, job_close
from shop.services.reservations import reservation_make
from tests.lines import told_line

DAY = datetime.date(2026, 3, 3)
Close = Callable[..., Job]


@pytest.fixture
def close(foreman: Person) -> Close:
    clock.pin(datetime.datetime(2026, 3, 3, 9, 0, tzinfo=datetime.UTC))

    def close(unit: str, **changes: object) -> Job:
        values = {
            "method": "drain-and-refill", "done_on": DAY, "level_reason": "at the edge", "leak_checked": True,
            "road_tested": True, "done_by": "Cole",
        }  # fmt: skip
        return job_close(foreman, Unit.objects.get(code=unit), JobReport(**(values | changes)))

    return close


def line(unit: str) -> DueLine:
    return told_line(unit__code=unit, rule__subject="fluid")


def test_half_a_litre_does_not_start_the_interval_anew(close: Close) -> None:
    before = line("K22-HY")
    close("K22-HY", method="tank drain", in_l=0.5, out_l=0.5)
    after = line("K22-HY")
    assert after.used_share == pytest.approx(before.used_share, abs=0.02)
    assert abs((after.due_on - before.due_on).days) <= 5


def test_drain_as_the_rule_assumes_earns_the_whole_interval(close: Close) -> None:
    """Steady state of one drain-and-refill per interval: after a share of f_ref the next is one interval away."""
    close("K27-BA5", in_l=18.2, out_l=18.2)
    after = line("K27-BA5")
    assert after.state == "not yet"
    assert after.used_share == pytest.approx(0.0, abs=0.01)


def test_repeated_close_is_refused_until_it_is_said(close: Close) -> None:
    close("K14-VB2", in_l=3.7, out_l=3.7, level_temp_c=40.0, level_reason="")
    with pytest.raises(ConflictError, match="closed already"):
        close("K14-VB2", in_l=3.7, out_l=3.7, level_temp_c=40.0, level_reason="")
    assert Job.objects.filter(unit__code="K14-VB2", done_on=DAY).count() == 1


def test_unknown_history_is_bounded_by_the_unit_s_own_run(close: Close) -> None:
    close("K40-RT55", in_l=50.0, out_l=50.0)
    last = LastService.objects.get(unit__code="K40-RT55")
    # 50 of 55 L: what stays is a tenth or so, at most as old as the tractor's 2 260 h and the day since.
    assert last.age_h == pytest.approx((1 - 50 / 55) * 2261.4, rel=0.001)
    assert last.is_age_assumed
    assert line("K40-RT55").state == "not yet"
    assert "age before the last job assumed" in line("K40-RT55").sentence


def test_fluid_in_a_brake_system_needs_no_odometer(close: Close) -> None:
    from shop.models import Reading

    Reading.objects.filter(meter__vehicle__number="K13").delete()
    close("K13-BR", method="bleed", in_l=3.0, out_l=3.0, level_reason="reservoir at the mark")
    assert line("K13-BR").state == "not yet"


def test_vehicle_with_two_meters_takes_both(close: Close) -> None:
    Meter.objects.create(vehicle=Vehicle.objects.get(number="K22"), kind="odometer", shown_in="km")
    close("K22-AX-H", in_l=16.4, out_l=16.4, meter_text="97150", hours_text="8417.0")
    last = LastService.objects.get(unit__code="K22-AX-H")
    assert (last.unit_km, last.unit_h) == (97150, 8417.0)


def test_more_in_than_out_has_to_be_explained(close: Close) -> None:
    with pytest.raises(InputError, match="measure again"):
        close("K27-BA5", in_l=19.5, out_l=16.0)
    job = close("K27-BA5", in_l=19.5, out_l=16.0, note="arrived 3.5 L low, leak at the cooler mended")
    # What was only missing has pushed nothing old out.
    assert job.fresh_share == pytest.approx(16.0 / 28.0)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"method": "bleed"}, "method"),
        ({"subject": "tyres"}, "subject"),
        ({"in_l": -3.0}, "in_l"),
        ({"in_l": float("nan")}, "in_l"),
        ({"done_on": datetime.date(1, 1, 1)}, "done_on"),
    ],
)
def test_what_cannot_be_is_refused(close: Close, changes: dict[str, object], field: str) -> None:
    with pytest.raises(InputError) as caught:
        close("K27-BA5", **({"in_l": 18.2, "out_l": 18.2} | changes))
    assert field in caught.value.fields


def test_stick_far_from_its_mark_proves_nothing(close: Close) -> None:
    """Volume correction by API MPMS 11.1: at 72 °C the TB6 reads 3 mm below its 80 °C mark; 60 mm is no level."""
    with pytest.raises(InputError) as caught:
        close("K02-TB6", in_l=3.6, out_l=3.6, level_temp_c=72.0, level_reading_mm=-60.0, level_reason="")
    assert "level_reading_mm" in caught.value.fields


def test_opening_one_pack_leaves_the_others_sealed(close: Close) -> None:
    before = {item.pk: item.on_shelf_l for item in StockItem.objects.filter(product__code="F15")}
    close("K34-HY", method="tank drain", in_l=5.0, out_l=5.0)
    items = list(StockItem.objects.filter(product__code="F15"))
    assert sum(item.on_shelf_l for item in items) == pytest.approx(sum(before.values()) - 5.0)
    opened = [item for item in items if item.opened_on]
    assert [item.opened_on for item in opened] == [DAY]
    assert opened[0].on_shelf_l == pytest.approx(opened[0].pack_size_l - 5.0)


def test_job_before_a_move_belongs_to_the_vehicle_it_was_in(close: Close) -> None:
    unit = Unit.objects.get(code="K20-TB6")
    Fitting.objects.filter(unit=unit).update(removed_on=datetime.date(2026, 3, 1))
    Fitting.objects.filter(unit__code="K05-TB6").delete()
    Fitting.objects.create(
        unit=unit, vehicle=Vehicle.objects.get(number="K05"), position="gearbox", fitted_on=datetime.date(2026, 3, 1),
        vehicle_km_at_fit=153_450, unit_km_at_fit=58_120,
    )  # fmt: skip
    job = close("K20-TB6", done_on=datetime.date(2026, 2, 16), in_l=3.6, out_l=3.6)
    assert job.vehicle.number == "K20"
    assert job.unit_km == pytest.approx(57_080, abs=200)


def test_a_box_that_holds_the_wrong_oil_closes_only_rinsed(close: Close) -> None:
    """K12: GL-5 went into a GL-4 gearbox; common practice, no source, is drain, rinse fill, refill and watch."""
    with pytest.raises(ConflictError, match=r"F07 is in it and must not go into SG6.*rinse") as refused:
        close("K12-SG6", in_l=2.3, out_l=2.3)
    assert refused.value.fields.keys() == {"is_rinsed"}
    job = close("K12-SG6", in_l=2.3, out_l=2.3, is_rinsed=True, note="second fill after 50 km")
    assert job.note == "second fill after 50 km\nRinsed before it was filled."
    assert LastService.objects.get(unit__code="K12-SG6").product.code == "F06"


def test_k14_gets_the_variator_fluid_instead_of_the_banned_one(foreman: Person) -> None:
    own = Reservation.objects.get(unit__code="K14-VB2", is_open=True)
    made = reservation_make(foreman, own.unit)
    assert (own.product.code, made.reservation.product.code, made.short_l) == ("F01", "F03", 0.0)
    assert made.reservation.litres == pytest.approx(3.9, abs=0.3)
    line = ProposedLine.objects.get(product__code="F01")
    assert (line.facts["blocked"], line.order_l) == ([], 60.0)


def test_of_a_coolant_only_the_concentrate_is_reserved_and_fetched(foreman: Person) -> None:
    """The plan's litres go in at 50 %, the house's strength; F12 is sold undiluted, so half of them is water."""
    unit = Unit.objects.get(code="K01-CL-L")
    concentrate_l = plan_for_unit(unit).best.total_to_reserve_l / 2
    own = reservation_make(foreman, unit).reservation
    assert (own.product.code, own.litres) == ("F12", pytest.approx(concentrate_l))
    Job.objects.create(
        code="N1", unit=unit, vehicle=unit.fittings.get().vehicle, state=Job.State.BOOKED,
        booked_for=datetime.datetime.combine(DAY, datetime.time(9), datetime.UTC),
    )  # fmt: skip
    (pick,) = [own for own in pick_lists(foreman, DAY)[-1].picks if own.job.code == "N1"]
    assert (pick.product.code, pick.litres) == ("F12", pytest.approx(concentrate_l))
    assert sum(litres for _, litres in pick.from_items) + pick.short_l == pytest.approx(concentrate_l)
