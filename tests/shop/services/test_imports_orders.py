"""Suppliers with their addresses, and orders of earlier years that only tell how punctual they were."""

import datetime

import pytest

from shop.models import Depot, OrderedLine, Product, StockItem, Supplier
from shop.selectors.suppliers import punctuality_by_supplier
from shop.services.supplier_orders import OrderAsked, order_place
from tests.factories import PersonFactory
from tests.shop.services.small_fleet import load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]
HEAD = "depot,supplier,product,litres,ordered_on,expected_on,arrived_on\n"


def test_a_supplier_brings_address_phone_and_our_number(fleet):
    load({
        "suppliers.csv": "supplier,free_freight_from,mail,phone,customer_number\n"
        "Brinnock,400,orders@brinnock.example,01632 960 114,70418\n"
    })  # fmt: skip
    own = Supplier.objects.get()
    assert (own.free_freight_from, own.mail, own.phone, own.customer_number) == (
        400, "orders@brinnock.example", "01632 960 114", "70418",
    )  # fmt: skip
    (refused,) = sentences(load({"suppliers.csv": "supplier,mail\nBrinnock,brinnock\n"}))
    assert "no mail address" in refused


def test_an_old_order_tells_how_punctual_and_adds_no_stock(fleet):
    before = StockItem.objects.count()
    rows = "UY,Brinnock,F01,60,2025-11-04,2025-11-10,2025-11-10\nUY,Brinnock,F06,20,2025-12-02,2025-12-08,2025-12-10\n"
    assert sentences(load({"ordered.csv": HEAD + rows})) == []
    assert not load({"ordered.csv": HEAD + rows}).has_changes
    supplier = Supplier.objects.get()
    seen = punctuality_by_supplier([supplier.pk])[supplier.pk]
    assert (seen.orders, seen.on_time, seen.median_lead, seen.p80_lead) == (2, 1, 5.0, 6)
    assert not OrderedLine.objects.filter(is_open=True).exists()
    assert StockItem.objects.count() == before


def test_lines_of_one_day_are_one_order(fleet):
    rows = "UY,Brinnock,F01,60,2025-11-04,2025-11-10,2025-11-10\nUY,Brinnock,F06,20,2025-11-04,2025-11-10,2025-11-12\n"
    load({"ordered.csv": HEAD + rows})
    supplier = Supplier.objects.get()
    seen = punctuality_by_supplier([supplier.pk])[supplier.pk]
    assert (seen.orders, seen.on_time, seen.p80_lead) == (1, 0, 6)


def test_a_line_arrives_by_a_later_file_and_not_before_it_was_ordered(fleet):
    open_row = "UY,Brinnock,F01,60,2026-03-03,2026-03-09,"
    load({"ordered.csv": f"{HEAD}{open_row}\n"})
    assert OrderedLine.objects.get().is_open
    (refused,) = sentences(load({"ordered.csv": f"{HEAD}{open_row}2026-03-02\n"}))
    assert "arrived" in refused
    load({"ordered.csv": f"{HEAD}{open_row}2026-03-10\n"})
    line = OrderedLine.objects.get()
    assert (line.is_open, line.closed_on, line.received_l) == (False, datetime.date(2026, 3, 10), 60)
    assert not load({"ordered.csv": f"{HEAD}{open_row}\n"}).has_changes


def test_a_line_of_an_order_placed_here_is_left_alone(fleet):
    depot, supplier = Depot.objects.get(code="UY"), Supplier.objects.get()
    pack = supplier.packs.get(product=Product.objects.get(code="F01"), printed="20 L")
    person = PersonFactory(role="stores", depots=[depot])
    order_place(person, depot, supplier, OrderAsked(0, [(pack, 1)], mail_to="orders@brinnock.example"))
    report = load({"ordered.csv": HEAD + "UY,Brinnock,F01,500,2026-03-10,2026-03-16,\n"})
    assert "belongs to an order placed here" in sentences(report)[0]
    assert OrderedLine.objects.get().litres == 20
