"""Loading, running and ordering once more: what was done since stays done."""

import datetime
from pathlib import Path

import pytest

from notifications.models import Mail
from notifications.services.daily import daily_run
from shop import clock
from shop.errors import ConflictError
from shop.models import (
    DailyRun,
    Depot,
    DueLine,
    LastService,
    OrderedLine,
    Person,
    ProposedLine,
    StockItem,
    Unit,
    WasteTank,
)
from shop.services.imports.loading import files_load, folder_load, was_loaded
from shop.services.jobs import JobReport, job_close

DEMO = Path(__file__).resolve().parents[2] / "fixtures_demo"


def shelf_l() -> float:
    return sum(StockItem.objects.filter(product__code="F05").values_list("on_shelf_l", flat=True))


def close_bus_job(foreman: Person) -> None:
    job_close(
        foreman,
        Unit.objects.get(code="K27-BA5"),
        JobReport(
            method="drain-and-refill", done_on=datetime.date(2026, 3, 2), in_l=18.2, out_l=18.2, level_reason="edge",
            leak_checked=True, road_tested=True, done_by="Arno",
        ),
    )  # fmt: skip


def test_same_folder_again_does_not_put_fluid_back(foreman: Person) -> None:
    close_bus_job(foreman)
    last = LastService.objects.get(unit__code="K27-BA5").done_on
    before = (shelf_l(), WasteTank.objects.get(stream="used oil").level_l, last)
    assert was_loaded(DEMO)
    report = folder_load(DEMO)
    assert not report.refusals
    after = (shelf_l(), WasteTank.objects.get(stream="used oil").level_l)
    assert (*after, LastService.objects.get(unit__code="K27-BA5").done_on) == before


def test_new_count_of_the_shelf_counts(foreman: Person) -> None:
    close_bus_job(foreman)
    header = "depot,product,label,pack_size_l,on_shelf_l"
    item = StockItem.objects.filter(product__code="F05", is_quarantined=False, opened_on__isnull=True).first()
    assert item is not None
    row = f"{item.depot.code},F05,{item.label},{item.pack_size_l:g},60"
    report = files_load({"stock.csv": f"{header}\n{row}\n".encode()}, name="count")
    assert report.is_written
    item.refresh_from_db()
    assert item.on_shelf_l == 60


def test_earlier_day_is_refused_and_writes_nothing(depot_run: datetime.date) -> None:
    lines = list(DueLine.objects.order_by("pk").values())
    with pytest.raises(ConflictError, match="worked out for 2026-03-02 already"):
        daily_run(Depot.objects.get(code="UY"), datetime.date(2026, 1, 15))
    assert list(DueLine.objects.order_by("pk").values()) == lines
    assert DailyRun.objects.count() == 2
    assert Mail.objects.count() == 3


@pytest.mark.parametrize("file", ["vehicles.csv", "depots.csv", "products.csv"])
def test_code_with_a_slash_is_refused_with_a_sentence(db: None, file: str) -> None:
    head, row = {
        "vehicles.csv": ("vehicle,depot,name,kind", "W/2,UY,van,van"),
        "depots.csv": ("depot,name", "U/Y,Yard"),
        "products.csv": ("product,name", "F/1,oil"),
    }[file]
    report = files_load({file: f"{head}\n{row}\n".encode()}, name="x")
    assert any("slash" in str(refusal) for refusal in report.refusals)


def test_day_on_which_the_depot_is_closed_is_no_day_to_order(depot_run: datetime.date) -> None:
    clock.pin(datetime.datetime(2026, 4, 2, 4, 0, tzinfo=datetime.UTC))
    for depot in Depot.objects.all():
        daily_run(depot, datetime.date(2026, 4, 2))
    closed = set(Depot.objects.get(code="UY").closed_days.values_list("day", flat=True))
    assert datetime.date(2026, 4, 6) in closed
    days = {line.latest_order_day for line in ProposedLine.objects.exclude(latest_order_day=None)}
    assert days
    assert not days & closed


def test_overdue_delivery_does_not_count_and_is_named(depot_run: datetime.date) -> None:
    order = OrderedLine.objects.get(product__code="F13")
    order.expected_on = datetime.date(2026, 2, 27)
    order.ordered_on = datetime.date(2026, 2, 20)
    order.save()
    for depot in Depot.objects.all():
        daily_run(depot, depot_run, is_again=True)
    line = ProposedLine.objects.get(product__code="F13")
    assert line.facts["on_order_l"] == 0
    assert "ask the supplier before ordering again" in line.facts["reasons"][0]["text"]


def test_depot_far_away_does_not_hold_up_the_morning_mail(depot_run: datetime.date) -> None:
    Depot.objects.filter(code="LY").update(time_zone="America/Los_Angeles")
    day = datetime.date(2026, 3, 3)
    clock.pin(datetime.datetime(2026, 3, 3, 4, 35, tzinfo=datetime.UTC))
    daily_run(Depot.objects.get(code="UY"), day)
    assert Mail.objects.filter(local_day=day).count() == 3
