"""Bulk tanks: deliveries, issues, dips beside the books, corrections by a person."""

import datetime

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, OrderedLine, StockItem, StockMovement, TankDip
from shop.selectors.tanks import at_15_c, tanks_of, tanks_shown
from shop.services.job_stock import _take
from shop.services.stock import Booking, stock_open, stock_write_off
from shop.services.tanks import (
    Dip,
    TankReport,
    dip_take_as_count,
    tank_delivery,
    tank_dip,
    tank_issue,
    tank_write,
)
from tests.factories import DepotFactory, PersonFactory, ProductFactory, StockItemFactory, SupplierFactory

MARKS = ((0.0, 0.0), (600.0, 750.0), (1200.0, 1500.0))


@pytest.fixture
def depot(pinned_clock, db):
    return DepotFactory()


@pytest.fixture
def foreman(depot):
    return PersonFactory(depots=[depot])


@pytest.fixture
def item(depot):
    product = ProductFactory(code="F10", density15_kg_m3=850.0)
    return StockItemFactory(depot=depot, product=product, label="T1 tank", pack_size_l=1500, on_shelf_l=900)


@pytest.fixture
def tank(foreman, item):
    return tank_write(foreman, item, TankReport("T1", 1500.0, "engine oil", MARKS))


def book(item):
    return StockItem.objects.get(pk=item.pk).on_shelf_l


def on(day):
    clock.pin(datetime.datetime.combine(day, datetime.time(6), datetime.UTC))


def test_a_month_of_900_1200_1310_and_a_dip_of_778_is_0_92_per_cent(foreman, tank, item):
    # Worked by hand: 900 + 1 200 - 1 310 - 778 = 12 L of 1 310.
    tank_dip(foreman, tank, Dip(litres=900.0, temp_c=15.0))
    on(datetime.date(2026, 4, 10))
    tank_delivery(foreman, tank, 500, "B1")
    tank_issue(foreman, tank, 800, "fills of the week")
    tank_delivery(foreman, tank, 700, "B2")
    tank_issue(foreman, tank, 500, "fills of the week")
    stock_write_off(foreman, item, 10, "spilt at the gun")
    dip = tank_dip(foreman, tank, Dip(litres=778.0, temp_c=15.0))
    assert (dip.book_l, dip.delivered_l, dip.issued_l) == (pytest.approx(790), 1200, pytest.approx(1310))
    shown = tanks_shown(tanks_of(foreman))[0]
    assert shown.months[-1].shrink.missing_l == pytest.approx(12)
    assert shown.months[-1].shrink.share == pytest.approx(0.0092, abs=0.00005)
    assert shown.verdict.state == "normal"
    assert shown.last.off_l == pytest.approx(-12)
    assert book(item) == pytest.approx(790)


def test_a_warm_dip_counts_at_15_degrees(foreman, tank, item):
    # API MPMS 11.1: 1 500 L at 24 °C are 1 480.2 L at 6 °C, density 850.
    ratio = at_15_c(item.product, 1500, 24) / at_15_c(item.product, 1.0, 6)
    assert ratio == pytest.approx(1480.2, abs=0.05)
    tank_dip(foreman, tank, Dip(litres=900.0, temp_c=24.0))
    shown = tanks_shown(tanks_of(foreman))[0].last
    assert shown.litres_15 == pytest.approx(900 * 0.99334, abs=0.1)
    assert shown.off_l == pytest.approx(shown.litres_15 - 900)


def test_three_hundredths_two_months_running_are_looked_at(foreman, tank):
    tank_dip(foreman, tank, Dip(litres=900.0, temp_c=15.0))
    left_l = 900.0
    for month in (4, 5):
        on(datetime.date(2026, month, 20))
        tank_issue(foreman, tank, 200, "fills")
        left_l -= 200 * 1.035
        tank_dip(foreman, tank, Dip(litres=left_l, temp_c=15.0))
    verdict = tanks_shown(tanks_of(foreman))[0].verdict
    assert verdict.state == "look"
    assert len(verdict.candidates) == 3


def test_without_issues_the_month_cannot_be_said(foreman, tank):
    tank_dip(foreman, tank, Dip(litres=900.0))
    on(datetime.date(2026, 4, 20))
    tank_dip(foreman, tank, Dip(litres=880.0))
    shown = tanks_shown(tanks_of(foreman))[0]
    assert shown.months[-1].shrink is None
    assert "Nothing was issued" in shown.months[-1].cannot_say
    assert shown.verdict.state == "cannot say"


def test_a_dip_by_the_stick_goes_through_the_table_and_moves_nothing(foreman, tank, item):
    before = StockMovement.objects.count()
    dip = tank_dip(foreman, tank, Dip(mm=700.0, temp_c=12.0, note="Monday"))
    assert (dip.litres, dip.mm, dip.book_l) == (875.0, 700.0, 900.0)
    assert (book(item), StockMovement.objects.count()) == (900, before)


@pytest.mark.parametrize(
    ("dip", "named"),
    [
        (Dip(), "either"),
        (Dip(litres=5.0, mm=5.0), "either"),
        (Dip(mm=1300.0), "outside the dip table"),
        (Dip(litres=1501.0), "do not stand"),
        (Dip(litres=-1.0), "do not stand"),
        (Dip(litres=float("nan")), "do not stand"),
        (Dip(litres=900.0, temp_c=400.0), "°C"),
    ],
)
def test_a_dip_that_cannot_be_is_refused(foreman, tank, dip, named):
    with pytest.raises(InputError, match=named):
        tank_dip(foreman, tank, dip)
    assert not TankDip.objects.exists()


def test_a_person_takes_the_difference_once_and_what_moved_since_stays(foreman, tank, item):
    dip = tank_dip(foreman, tank, Dip(litres=873.0, temp_c=15.0))
    tank_issue(foreman, tank, 100, "K22")
    with pytest.raises(InputError, match="Say why"):
        dip_take_as_count(foreman, dip, " ")
    moved = dip_take_as_count(foreman, dip, "meter checked")
    assert (moved.reason, moved.litres) == ("counted", pytest.approx(-27))
    assert "meter checked" in moved.note
    assert book(item) == pytest.approx(773)
    with pytest.raises(ConflictError, match="already"):
        dip_take_as_count(foreman, dip, "again")
    newer = tank_dip(foreman, tank, Dip(litres=770.0))
    # The correction is neither delivered nor issued.
    assert (newer.delivered_l, newer.issued_l) == (0, 100)
    older = TankDip.objects.create(tank=tank, dipped_at=dip.dipped_at, litres=800, book_l=900)
    TankDip.objects.filter(pk=older.pk).update(dipped_at=dip.dipped_at - datetime.timedelta(days=1))
    with pytest.raises(ConflictError, match="newer dip"):
        dip_take_as_count(foreman, older, "old one")


def test_a_delivery_fits_joins_the_tank_and_closes_its_order(foreman, tank, item, depot):
    order = OrderedLine.objects.create(
        depot=depot, supplier=SupplierFactory(), product=item.product, litres=400, ordered_on="2026-03-01",
        expected_on="2026-03-11",
    )  # fmt: skip
    with pytest.raises(ConflictError, match="900 of 1500 L"):
        tank_delivery(foreman, tank, 601, "B1")
    with pytest.raises(InputError, match="batch"):
        tank_delivery(foreman, tank, 400, " ")
    moved = tank_delivery(foreman, tank, 400, "EO-2603", order)
    order.refresh_from_db()
    assert (moved.delivery, order.is_open, order.received_l) == (order, False, 400)
    assert StockItem.objects.get().batch == "EO-2603"
    with pytest.raises(ConflictError, match="closed"):
        tank_delivery(foreman, tank, 100, "B2", order)
    assert book(item) == 1300


def test_an_issue_beyond_the_books_is_refused(foreman, tank, item):
    with pytest.raises(ConflictError, match=r"holds 900\.00 L"):
        tank_issue(foreman, tank, 900.5, "K22")
    with pytest.raises(InputError, match="for what"):
        tank_issue(foreman, tank, 5, "")
    assert book(item) == 900


def test_a_tank_is_no_pack(foreman, tank, item):
    with pytest.raises(InputError, match="is a tank"):
        stock_open(foreman, item, datetime.date(2026, 3, 10))
    _take(Booking(foreman), item, 26.6, datetime.date(2026, 3, 10))
    assert StockItem.objects.count() == 1
    assert book(item) == pytest.approx(873.4)


def test_a_tank_is_set_up_and_changed_with_a_record(foreman, tank, item):
    assert tank.marks.count() == 3
    assert tank_write(foreman, item, TankReport("T1", 1500.0, "engine oil", MARKS)).pk == tank.pk
    assert ChangeRecord.objects.count() == 1
    tank_write(foreman, item, TankReport("T1", 1600.0, "engine oil", MARKS[:2]))
    tank.refresh_from_db()
    assert (tank.capacity_l, tank.marks.count(), ChangeRecord.objects.count()) == (1600, 2, 2)
    for wrong, named in (
        (TankReport("T 1/2", 1500), "without slash"),
        (TankReport("T1", 800), "cannot be smaller"),
        (TankReport("T1", 1500, marks=((0, 0), (5, 0))), "rising"),
        (TankReport("T1", 1500, marks=((0, 0), (5, 1600))), "ends above"),
    ):
        with pytest.raises(InputError, match=named):
            tank_write(foreman, item, wrong)


@pytest.mark.parametrize(
    ("role", "may"),
    [("fleet", "delivery issue dip"), ("stores", "delivery issue dip"), ("technician", "issue dip"),
     ("foreman", "delivery issue dip write"), ("apprentice", "issue dip")],
)  # fmt: skip
def test_roles_decide_who_books(depot, foreman, tank, item, role, may):
    person = PersonFactory(role=role, depots=[depot])
    acts = {
        "delivery": lambda: tank_delivery(person, tank, 10, "B1"),
        "issue": lambda: tank_issue(person, tank, 1, "K22"),
        "dip": lambda: tank_dip(person, tank, Dip(litres=900.0)),
        "write": lambda: tank_write(person, item, TankReport("T1", 1500.0)),
    }
    for name, act in acts.items():
        if name in may.split():
            act()
        else:
            with pytest.raises(NotAllowed):
                act()
    dip = tank_dip(foreman, tank, Dip(litres=800.0))
    if role == "apprentice":
        with pytest.raises(NotAllowed):
            dip_take_as_count(person, dip, "counted")
    else:
        assert dip_take_as_count(person, dip, "counted") is not None
