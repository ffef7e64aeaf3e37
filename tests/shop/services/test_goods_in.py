"""Goods in: against an order, without one, in part, wrong, broken or too old."""

import datetime

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Depot, OrderedLine, Person, Product, StockItem, StockMovement
from shop.selectors.shelf import on_order
from shop.services.goods_in import PacksIn, goods_in, order_give_up
from tests.factories import DepotFactory, PersonFactory, ProductFactory, SupplierFactory

DAY = datetime.date(2026, 3, 2)
USE_BY = datetime.date(2030, 3, 31)


@pytest.fixture
def shelf(db: None) -> Depot:
    clock.pin(datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC))
    yield DepotFactory()
    clock.pin(None)


@pytest.fixture
def petra(shelf: Depot) -> Person:
    return PersonFactory(role=Person.Role.STORES, depots=[shelf])


@pytest.fixture
def atf(db: None) -> Product:
    return ProductFactory(code="F01", sealed_life_months=48)


@pytest.fixture
def order(shelf: Depot, atf: Product) -> OrderedLine:
    return OrderedLine.objects.create(
        depot=shelf, supplier=SupplierFactory(), product=atf, litres=60, ordered_on=DAY,
        expected_on=datetime.date(2026, 3, 6),
    )  # fmt: skip


def test_an_order_that_comes_whole_is_closed(
    shelf: Depot, petra: Person, atf: Product, order: OrderedLine
) -> None:
    (item,) = goods_in(petra, shelf, atf, [PacksIn(60.0, 1, "ATF-2602", USE_BY, place="A1")], order)
    order.refresh_from_db()
    assert (item.on_shelf_l, item.label, item.batch, item.use_by) == (
        60.0,
        "A1 60 L ATF-2602",
        "ATF-2602",
        USE_BY,
    )
    assert (order.is_open, order.closed_on, order.outstanding_l) == (False, DAY, 0.0)
    movement = StockMovement.objects.get()
    assert (movement.litres, movement.reason, movement.delivery, movement.moved_by) == (
        60,
        "goods in",
        order,
        petra,
    )


def test_half_a_delivery_leaves_the_rest_on_order(
    shelf: Depot, petra: Person, atf: Product, order: OrderedLine
) -> None:
    goods_in(petra, shelf, atf, [PacksIn(20.0, 2, "ATF-2602", USE_BY)], order)
    order.refresh_from_db()
    assert (order.is_open, order.outstanding_l) == (True, 20.0)
    assert on_order(shelf.pk, DAY)[atf.pk].in_time_l == 20.0
    order_give_up(petra, order, "supplier out of stock")
    order.refresh_from_db()
    assert (order.is_open, order.outstanding_l) == (False, 0.0)
    with pytest.raises(ConflictError, match="closed"):
        goods_in(petra, shelf, atf, [PacksIn(20.0, 1, "ATF-2602", USE_BY)], order)


def test_the_wrong_fluid_is_refused_and_nothing_is_booked(
    shelf: Depot, petra: Person, order: OrderedLine
) -> None:
    other = ProductFactory(code="F02")
    with pytest.raises(ConflictError, match="F02 came, but F01 was ordered"):
        goods_in(petra, shelf, other, [PacksIn(20.0, 1, "LV-1", USE_BY)], order)
    assert not StockItem.objects.exists()
    assert not StockMovement.objects.exists()


def test_a_broken_seal_is_set_aside(shelf: Depot, petra: Person, atf: Product) -> None:
    items = goods_in(
        petra, shelf, atf,
        [PacksIn(20.0, 1, "ATF-2602", USE_BY), PacksIn(20.0, 1, "ATF-2602", USE_BY, is_seal_whole=False)],
    )  # fmt: skip
    assert [item.is_quarantined for item in items] == [False, True]


def test_a_pack_without_a_date_gets_the_sealed_life_and_says_so(
    shelf: Depot, petra: Person, atf: Product
) -> None:
    (item,) = goods_in(petra, shelf, atf, [PacksIn(20.0, 1, "ATF-2602")])
    assert item.use_by == datetime.date(2030, 3, 2)
    assert "sealed life" in StockMovement.objects.get().note


@pytest.mark.parametrize(
    ("packs", "said"),
    [
        ([], "at least one row"),
        ([PacksIn(20.0, 0, "B")], "Row 1: give a pack size"),
        ([PacksIn(20.0, 1, "B"), PacksIn(-1.0, 1, "B")], "Row 2: give a pack size"),
        ([PacksIn(20.0, 1, " ")], "Row 1: type the batch"),
        ([PacksIn(20.0, 1, "B", datetime.date(2026, 3, 1))], "has passed; send it back"),
    ],
)
def test_packs_that_cannot_be_are_refused_by_row(
    shelf: Depot, petra: Person, atf: Product, packs: list[PacksIn], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        goods_in(petra, shelf, atf, packs)
    assert not StockItem.objects.exists()


def test_one_batch_has_one_date(shelf: Depot, petra: Person, atf: Product) -> None:
    goods_in(petra, shelf, atf, [PacksIn(20.0, 1, "ATF-2602", USE_BY)])
    with pytest.raises(ConflictError, match="differ in use-by"):
        goods_in(petra, shelf, atf, [PacksIn(20.0, 1, "ATF-2602", datetime.date(2031, 1, 1))])
    goods_in(petra, shelf, atf, [PacksIn(20.0, 1, "ATF-2602", USE_BY)])
    assert StockItem.objects.get().on_shelf_l == 40.0


def test_a_technician_books_nothing_in(shelf: Depot, atf: Product) -> None:
    with pytest.raises(NotAllowed):
        goods_in(PersonFactory(role=Person.Role.TECHNICIAN), shelf, atf, [PacksIn(20.0, 1, "B", USE_BY)])


def test_of_a_long_batch_the_end_tells_two_places_apart(shelf: Depot, petra: Person, atf: Product) -> None:
    stem = "MANUFACTURED-2026-02-LINE-7-LOT-"
    items = goods_in(petra, shelf, atf, [PacksIn(20.0, 1, f"{stem}{n}", place="A1") for n in (1, 2)])
    assert len({item.pk for item in items}) == 2
    assert all(len(item.label) <= 40 and item.label.endswith(item.batch[-8:]) for item in items)


def test_an_emptied_place_takes_the_new_use_by(shelf: Depot, petra: Person, atf: Product) -> None:
    first = PacksIn(20.0, 1, "B7", use_by=datetime.date(2027, 1, 1), place="A1")
    (old,) = goods_in(petra, shelf, atf, [first])
    StockItem.objects.filter(pk=old.pk).update(on_shelf_l=0.0)
    (new,) = goods_in(
        petra, shelf, atf, [PacksIn(20.0, 1, "B7", use_by=datetime.date(2028, 1, 1), place="A1")]
    )
    assert (new.pk, new.use_by) == (old.pk, datetime.date(2028, 1, 1))
