"""The ledger: what stands on a shelf is always the sum of its movements, and never below nothing."""

import datetime

import pytest
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shop.errors import ApplicationError, ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, Depot, Job, Person, StockItem, StockMovement
from shop.services import stock
from tests.factories import DepotFactory, FittingFactory, PersonFactory, ProductFactory, StockItemFactory

DAY = datetime.date(2026, 3, 2)


def booked(item: StockItem) -> float:
    return StockMovement.objects.filter(item=item).aggregate(all=Sum("litres"))["all"] or 0.0


@pytest.fixture
def shelf(db: None) -> StockItem:
    """60 L in three sealed packs, their arrival booked."""
    item = StockItemFactory(depot=DepotFactory(code="UY"), product=ProductFactory(code="F01"), on_shelf_l=0.0)
    item.batch = "B1"
    item.save()
    stock.litres_move(item, 60.0, StockMovement.Reason.GOODS_IN, stock.Booking(None))
    item.refresh_from_db()
    return item


@pytest.fixture
def petra(shelf: StockItem) -> Person:
    return PersonFactory(role=Person.Role.STORES, depots=[shelf.depot])


def test_a_count_books_the_difference_under_the_name_of_who_counted(shelf: StockItem, petra: Person) -> None:
    movement = stock.stock_count(petra, shelf, 57.5, "behind the rack")
    shelf.refresh_from_db()
    assert shelf.on_shelf_l == 57.5
    assert (movement.litres, movement.reason, movement.moved_by, movement.note) == (
        -2.5,
        "counted",
        petra,
        "behind the rack",
    )
    assert stock.stock_count(petra, shelf, 57.5) is None
    assert StockMovement.objects.filter(item=shelf).count() == 2


def test_the_shelf_never_holds_less_than_nothing(shelf: StockItem, petra: Person) -> None:
    with pytest.raises(ConflictError, match=r"holds 60\.00 L of F01, not the 61\.00 L"):
        stock.stock_write_off(petra, shelf, 61.0, "spilt")
    shelf.refresh_from_db()
    assert (shelf.on_shelf_l, booked(shelf)) == (60.0, 60.0)


def test_a_write_off_says_why(shelf: StockItem, petra: Person) -> None:
    with pytest.raises(InputError, match="Say why"):
        stock.stock_write_off(petra, shelf, 1.0, "  ")
    stock.stock_write_off(petra, shelf, 1.0, "spilt")
    shelf.refresh_from_db()
    assert shelf.on_shelf_l == 59.0


@pytest.mark.parametrize("litres", [0.0, -1.0, float("nan"), float("inf")])
def test_litres_that_cannot_be_are_refused(shelf: StockItem, petra: Person, litres: float) -> None:
    with pytest.raises(InputError, match="cannot be booked"):
        stock.stock_write_off(petra, shelf, litres, "spilt")
    assert booked(shelf) == 60.0


def test_an_opened_pack_is_an_item_of_its_own(shelf: StockItem, petra: Person) -> None:
    opened = stock.stock_open(petra, shelf, DAY)
    shelf.refresh_from_db()
    opened.refresh_from_db()
    assert (shelf.on_shelf_l, shelf.opened_on) == (40.0, None)
    assert (opened.on_shelf_l, opened.opened_on, opened.batch) == (20.0, DAY, "B1")
    with pytest.raises(InputError, match="has been open since"):
        stock.stock_open(petra, opened, DAY)
    with pytest.raises(InputError, match="cannot hold 21 L"):
        stock.stock_count(petra, opened, 21.0)


def test_a_can_filled_from_a_drum_keeps_batch_and_opened_day(shelf: StockItem, petra: Person) -> None:
    drum = stock.stock_open(petra, shelf, DAY)
    can = stock.stock_decant(petra, drum, 5.0, "can 3", DAY + datetime.timedelta(days=30))
    drum.refresh_from_db()
    assert (drum.on_shelf_l, can.on_shelf_l, can.batch, can.opened_on) == (15.0, 5.0, "B1", DAY)
    with pytest.raises(InputError, match="label"):
        stock.stock_decant(petra, drum, 5.0, " ", DAY)


def test_a_label_that_holds_another_batch_is_not_mixed(shelf: StockItem, petra: Person) -> None:
    StockItemFactory(depot=shelf.depot, product=shelf.product, label="can 3", batch="B2", on_shelf_l=2.0)
    with pytest.raises(ConflictError, match="differ in batch"):
        stock.stock_decant(petra, shelf, 5.0, "can 3", DAY)
    shelf.refresh_from_db()
    assert shelf.on_shelf_l == 60.0


def test_both_sides_of_a_transfer_move_together(shelf: StockItem, petra: Person) -> None:
    yard = DepotFactory(code="LY")
    there = stock.stock_transfer(petra, shelf, 20.0, yard)
    shelf.refresh_from_db()
    assert (shelf.on_shelf_l, there.on_shelf_l, there.depot.code, there.batch) == (40.0, 20.0, "LY", "B1")
    with pytest.raises(InputError, match="move whole"):
        stock.stock_transfer(petra, shelf, 7.0, yard)
    with pytest.raises(InputError, match="already stands"):
        stock.stock_transfer(petra, shelf, 20.0, shelf.depot)


def test_packs_set_aside_never_join_those_in_use(shelf: StockItem, petra: Person) -> None:
    yard = DepotFactory(code="LY")
    stock.stock_transfer(petra, shelf, 20.0, yard)
    stock.batch_set_aside(petra, shelf.product, "B1", "supplier's notice")
    StockItem.objects.filter(depot=yard).update(is_quarantined=False)
    shelf.refresh_from_db()
    with pytest.raises(ConflictError, match="differ in quarantine"):
        stock.stock_transfer(petra, shelf, 20.0, yard)


def test_an_opened_pack_moves_whole(shelf: StockItem, petra: Person) -> None:
    yard, drum = DepotFactory(code="LY"), stock.stock_open(petra, shelf, DAY)
    with pytest.raises(InputError, match="moves whole: give 20 L"):
        stock.stock_transfer(petra, drum, 7.0, yard)
    there = stock.stock_transfer(petra, drum, 20.0, yard)
    assert (there.on_shelf_l, there.opened_on) == (20.0, DAY)


def test_an_emptied_place_takes_the_dates_of_what_comes(shelf: StockItem, petra: Person) -> None:
    old = StockItemFactory(
        depot=shelf.depot, product=shelf.product, label="can 3", batch="B0", on_shelf_l=0.0
    )
    can = stock.stock_decant(petra, shelf, 5.0, "can 3", DAY)
    assert (can.pk, can.batch, can.opened_on, can.pack_size_l) == (old.pk, "B1", DAY, 5.0)


def test_a_can_filled_twice_can_be_counted(shelf: StockItem, petra: Person) -> None:
    drum = stock.stock_open(petra, shelf, DAY)
    stock.stock_decant(petra, drum, 3.0, "can 3", DAY)
    can = stock.stock_decant(petra, drum, 4.0, "can 3", DAY)
    assert (can.on_shelf_l, can.pack_size_l) == (7.0, 7.0)
    stock.stock_count(petra, can, 6.5)
    can.refresh_from_db()
    assert can.on_shelf_l == 6.5


def test_an_empty_item_cannot_be_opened(shelf: StockItem, petra: Person) -> None:
    stock.stock_count(petra, shelf, 0.0)
    with pytest.raises(ConflictError, match="empty by the books"):
        stock.stock_open(petra, shelf, DAY)


@pytest.mark.parametrize("litres", [0.1, 0.3, 0.4, 0.7])
def test_litres_counted_can_be_taken_to_the_last(shelf: StockItem, petra: Person, litres: float) -> None:
    """59.6 less in floats leaves a hair more or less than 0.4; nothing is what is left."""
    stock.stock_count(petra, shelf, litres)
    stock.stock_write_off(petra, shelf, litres, "spilt")
    shelf.refresh_from_db()
    assert shelf.on_shelf_l == 0.0


def test_a_batch_on_the_shelf_that_serves_her_yard_can_be_set_aside(shelf: StockItem) -> None:
    outpost = DepotFactory(code="LY", stores_at=shelf.depot)
    cole = PersonFactory(role=Person.Role.STORES, depots=[outpost])
    assert stock.batch_set_aside(cole, shelf.product, "B1", "supplier's notice") == 1


def test_no_more_comes_back_from_a_job_than_it_took(shelf: StockItem, petra: Person) -> None:
    fitting = FittingFactory()
    job = Job.objects.create(code="J1", unit=fitting.unit, vehicle=fitting.vehicle, state="in bay")
    stock.litres_move(shelf, -12.0, StockMovement.Reason.FILLED, stock.Booking(petra, job=job))
    stock.stock_return(petra, shelf, 2.0, job)
    with pytest.raises(InputError, match="took 10 L"):
        stock.stock_return(petra, shelf, 11.0, job)
    shelf.refresh_from_db()
    assert shelf.on_shelf_l == 50.0


def test_a_batch_set_aside_is_on_record_and_comes_back_only_by_release(
    shelf: StockItem, petra: Person
) -> None:
    elsewhere = StockItemFactory(
        depot=DepotFactory(code="XX"), product=shelf.product, batch="B1", label="not hers", on_shelf_l=5
    )
    assert stock.batch_set_aside(petra, shelf.product, "B1", "supplier's notice") == 1
    shelf.refresh_from_db()
    elsewhere.refresh_from_db()
    assert (shelf.is_quarantined, elsewhere.is_quarantined) == (True, False)
    note = ChangeRecord.objects.get()
    assert (note.changed_by, note.after["why"]) == (petra, "supplier's notice")
    assert stock.batch_set_aside(petra, shelf.product, "B1", "tested fine", is_released=True) == 1
    with pytest.raises(InputError, match="say why"):
        stock.batch_set_aside(petra, shelf.product, "B1", "")


def test_an_apprentice_moves_no_stock(shelf: StockItem) -> None:
    with pytest.raises(NotAllowed):
        stock.stock_count(PersonFactory(role=Person.Role.APPRENTICE), shelf, 1.0)


STEPS = st.tuples(
    st.sampled_from(["count", "write off", "open", "decant", "transfer"]),
    st.integers(0, 7),
    st.sampled_from([0.0, 0.4, 1.0, 5.0, 20.0, 40.0, 61.0]),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEPS, min_size=1, max_size=12))
def test_after_any_bookings_each_item_is_the_sum_of_its_movements(
    shelf: StockItem, petra: Person, steps: list[tuple[str, int, float]]
) -> None:
    StockMovement.objects.exclude(item=shelf).delete()
    StockItem.objects.exclude(pk=shelf.pk).delete()
    StockMovement.objects.filter(item=shelf).delete()
    StockItem.objects.filter(pk=shelf.pk).update(on_shelf_l=0.0)
    stock.litres_move(shelf, 60.0, StockMovement.Reason.GOODS_IN, stock.Booking(None))
    yard, _ = Depot.objects.get_or_create(code="LY", defaults={"name": "Lower Yard"})
    for kind, place, litres in steps:
        items = list(StockItem.objects.select_related("product", "depot").order_by("pk"))
        item = items[place % len(items)]
        try:
            if kind == "count":
                stock.stock_count(petra, item, litres)
            elif kind == "write off":
                stock.stock_write_off(petra, item, litres, "spilt")
            elif kind == "open":
                stock.stock_open(petra, item, DAY)
            elif kind == "decant":
                stock.stock_decant(petra, item, litres, f"can {place}", DAY)
            else:
                stock.stock_transfer(petra, item, litres, yard)
        except ApplicationError:
            pass
    for item in StockItem.objects.all():
        assert item.on_shelf_l >= 0.0
        assert item.on_shelf_l == pytest.approx(booked(item), abs=1e-6)
    came_or_went = StockMovement.objects.filter(reason__in=["goods in", "counted", "written off"])
    assert sum(StockItem.objects.values_list("on_shelf_l", flat=True)) == pytest.approx(
        sum(came_or_went.values_list("litres", flat=True)), abs=1e-6
    )
