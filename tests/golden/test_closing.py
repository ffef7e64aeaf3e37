"""Closing the demo's worked job moves age, date, stock, used oil and the records together, or nothing."""

import datetime

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import (
    ChangeRecord,
    DueLine,
    Job,
    LastService,
    Person,
    Reservation,
    StockItem,
    StockMovement,
    Unit,
    WasteMovement,
    WasteTank,
)  # fmt: skip
from shop.services.jobs import JobReport, job_close

NIGHT = "overnight drain + cooler-line exchange"


@pytest.fixture
def goods_in(foreman: Person) -> StockItem:
    """The day after, one more batch on the shelf."""
    clock.pin(datetime.datetime(2026, 3, 3, 9, 0, tzinfo=datetime.UTC))
    f01 = Unit.objects.get(code="K01-TB6").unit_model.product
    item = StockItem.objects.filter(product=f01, is_quarantined=False, opened_on__isnull=True).first()
    assert item is not None
    return item


def report(**changes: object) -> JobReport:
    values = {
        "method": NIGHT, "done_on": datetime.date(2026, 3, 3), "out_l": 10.1, "in_l": 10.1, "out_temp_c": 20.0,
        "in_temp_c": 20.0, "level_temp_c": 72.0, "level_reading_mm": -3.0, "leak_checked": True, "road_tested": True,
        "meter_text": "131550", "done_by": "Bea",
    }  # fmt: skip
    return JobReport(**(values | changes))


def records() -> list[object]:
    models = (
        Job, LastService, StockItem, StockMovement, WasteTank, WasteMovement, DueLine, ChangeRecord, Reservation,
    )  # fmt: skip
    return [list(model.objects.order_by("pk").values()) for model in models]


@pytest.mark.usefixtures("goods_in")
def test_closed_job_moves_everything(foreman: Person) -> None:
    unit = Unit.objects.get(code="K01-TB6")
    shelf = sum(
        StockItem.objects.filter(product=unit.unit_model.product).values_list("on_shelf_l", flat=True)
    )
    tank = WasteTank.objects.get(stream="used oil")
    job = job_close(foreman, unit, report())
    # Reference calculation by two independent simulations of the compartments: 0.773 within 0.005.
    assert job.fresh_share == pytest.approx(0.773, abs=0.005)
    last = LastService.objects.get(unit=unit, subject="fluid")
    assert last.age_km == pytest.approx((1 - job.fresh_share) * 57_150)
    assert last.age_km == pytest.approx(12_973, abs=300)
    line = DueLine.objects.get(unit=unit)
    assert line.state == "not yet"
    assert abs((line.opens_on - datetime.date(2026, 12, 1)).days) <= 2
    assert abs((line.due_on - datetime.date(2027, 1, 10)).days) <= 2
    after = sum(
        StockItem.objects.filter(product=unit.unit_model.product).values_list("on_shelf_l", flat=True)
    )
    assert shelf - after == pytest.approx(10.1)
    assert sum(StockMovement.objects.filter(job=job).values_list("litres", flat=True)) == pytest.approx(-10.1)
    assert WasteTank.objects.get(pk=tank.pk).level_l == pytest.approx(tank.level_l + 10.1)
    assert job.code == Job.objects.get(unit=unit, state="handed back", done_on=datetime.date(2026, 3, 3)).code
    assert ChangeRecord.objects.filter(after__job=job.code).exists()


@pytest.mark.usefixtures("goods_in")
def test_used_fluid_is_taken_from_the_earliest_use_by(foreman: Person) -> None:
    job = job_close(foreman, Unit.objects.get(code="K01-TB6"), report())
    movements = StockMovement.objects.filter(job=job).select_related("item")
    days = [movement.item.use_by for movement in movements.order_by("pk")]
    assert days == sorted(days)
    assert all(not movement.item.is_quarantined for movement in movements)


@pytest.mark.usefixtures("goods_in")
@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"in_l": None}, "in_l"),
        ({"out_l": None}, "out_l"),
        ({"in_l": 101.0}, "in_l"),
        ({"method": "magic"}, "method"),
        ({"level_temp_c": None, "level_reason": ""}, "level_temp_c"),
        ({"leak_checked": False}, "leak_checked"),
        ({"road_tested": False}, "road_test_reason"),
        ({"done_by": " "}, "done_by"),
        ({"done_on": datetime.date(2026, 3, 4)}, "done_on"),
        ({"done_on": datetime.date(2025, 1, 1), "meter_text": ""}, "meter_text"),
        ({"meter_text": "31550"}, "meter_text"),
        ({"batch": "no such batch"}, "batch"),
    ],
)
def test_report_that_lacks_its_proof_writes_nothing(
    foreman: Person, changes: dict[str, object], field: str
) -> None:
    before = records()
    with pytest.raises(InputError) as caught:
        job_close(foreman, Unit.objects.get(code="K01-TB6"), report(**changes))
    assert field in caught.value.fields
    assert records() == before


@pytest.mark.usefixtures("goods_in")
def test_level_outside_the_makers_window_is_void(foreman: Person) -> None:
    unit = Unit.objects.get(code="K15-VB2")
    with pytest.raises(InputError, match="void"):
        job_close(
            foreman,
            unit,
            report(method="drain-and-refill", level_temp_c=55.0, meter_text="83960", in_l=3.7, out_l=3.7),
        )


@pytest.mark.usefixtures("goods_in")
def test_fluid_that_is_not_there_by_the_books_writes_nothing(foreman: Person) -> None:
    StockItem.objects.filter(product__code="F01").update(on_shelf_l=2.0)
    before = records()
    with pytest.raises(ConflictError, match="not on the shelf"):
        job_close(foreman, Unit.objects.get(code="K01-TB6"), report())
    assert records() == before


@pytest.mark.usefixtures("goods_in")
def test_full_tank_writes_nothing(foreman: Person) -> None:
    WasteTank.objects.filter(stream="used oil").update(level_l=995.0)
    before = records()
    with pytest.raises(ConflictError, match="collected"):
        job_close(foreman, Unit.objects.get(code="K01-TB6"), report())
    assert records() == before


@pytest.mark.usefixtures("goods_in")
def test_stores_may_not_close_a_job(foreman: Person) -> None:
    with pytest.raises(NotAllowed):
        job_close(Person.objects.get(username="petra"), Unit.objects.get(code="K01-TB6"), report())


@pytest.mark.usefixtures("goods_in")
def test_hot_litres_count_as_fewer(foreman: Person) -> None:
    """API MPMS 11.1 / ASTM D1250: 10.1 L read at 70 °C are about 9.72 L at 20 °C (850 kg/m³)."""
    job = job_close(foreman, Unit.objects.get(code="K01-TB6"), report(in_temp_c=70.0))
    moved = -sum(StockMovement.objects.filter(job=job).values_list("litres", flat=True))
    assert moved == pytest.approx(10.1 * 0.95934 / 0.99671, abs=0.002)


@pytest.mark.usefixtures("goods_in")
def test_part_change_starts_its_own_clock_anew(foreman: Person) -> None:
    unit = Unit.objects.get(code="K26-HA7")
    job_close(
        foreman,
        unit,
        report(subject="outside filters", method="", meter_text="3024.7", in_l=None, out_l=None),
    )
    assert DueLine.objects.get(unit=unit, rule__subject="outside filters").state == "not yet"
    assert LastService.objects.get(unit=unit, subject="fluid").done_on < datetime.date(2026, 3, 3)


@pytest.mark.usefixtures("goods_in")
def test_finishing_the_open_job_clears_must_not_move(foreman: Person) -> None:
    unit = Unit.objects.get(code="K08-TB6")
    job = job_close(foreman, unit, report(meter_text="133210"))
    assert job.bay == "B4"
    assert DueLine.objects.get(unit=unit).overlays == []


@pytest.mark.parametrize(
    ("batch", "words"),
    [
        ("LV-2506", "“LV-2506” is F02. F02 must not go into TB6: too thin: film and slip control are off"),
        ("VBF-2506", "“VBF-2506” is F03. F03"),
        ("ATF-2411", "is past its use-by or opened life; take another pack of F01"),
        ("ATF-2504", "“ATF-2504” is set aside; take another pack of F01"),
        ("no such", "No F01 with the batch or label “no such” stands on the shelf"),
    ],
)
@pytest.mark.usefixtures("goods_in")
def test_a_pack_that_must_not_go_in_is_refused_with_the_reason(
    foreman: Person, batch: str, words: str
) -> None:
    StockItem.objects.filter(batch="ATF-2504").update(is_quarantined=True)
    before = records()
    with pytest.raises(InputError) as refused:
        job_close(foreman, Unit.objects.get(code="K01-TB6"), report(batch=batch))
    assert words in refused.value.fields["batch"]
    if "is F0" in words:
        assert "Take F01." in refused.value.sentence
    assert records() == before
