"""The number of queries behind a page does not grow with the fleet."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import Supplier, WasteMovement, WasteTank
from shop.services.supplier_orders import OrderAsked, order_place
from tests.factories import PersonFactory

PAGES = [
    "/",
    "/due?show=everything",
    "/due.csv?show=everything",
    "/units/K01-TB6",
    "/units/K01-TB6/severity",
    "/severity",
    "/units/K01-TB6/deferral",
    "/deferrals",
    "/recalls",
    "/vehicles/K01",
    "/vehicles/K01/meters",
    "/readings",
    "/orders",
    "/orders/UY-2026-001",
    "/order-drafts/UY/Brinnock",
    "/suppliers/Brinnock",
    "/tools",
    "/stock",
    "/pick-list",
    "/what-if?interval_km=50000",
    "/catch-up",
    "/order-plan?weeks=8",
    "/fluids/fewest",
    "/fluids/F01/packs",
    "/fluids/F01/replace",
    "/shelf-levels",
    "/shelf-levels?look=weekly",
    "/labels/F01",
    "/wastes",
    "/wastes/balance",
    "/wastes/call",
    "/tanks",
]


@pytest.mark.parametrize("address", PAGES)
def test_twice_the_rows_take_no_more_queries(foreman, yard, address):
    supplier = Supplier.objects.get()
    Supplier.objects.update(code="Brinnock")
    asked = OrderAsked(0, [(supplier.packs.get(), 1)], mail_to="orders@brinnock.example")
    order_place(PersonFactory(role="stores"), yard.depot, supplier, asked)

    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert foreman.get(address).getvalue()
        return len(seen)

    queries()
    before = queries()
    for step in range(6):
        yard.add(f"L{step:02}", 57_000 + 900 * step)
    yard.run()
    assert queries() == before


@pytest.mark.parametrize("address", ["/wastes/{}", "/wastes/balance"])
def test_more_vehicles_and_movements_take_no_more_queries_of_a_container(foreman, yard, address):
    tank = WasteTank.objects.get()

    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert foreman.get(address.format(tank.pk)).status_code == 200
        return len(seen)

    queries()
    before = queries()
    for step in range(6):
        yard.add(f"L{step:02}", 57_000 + 900 * step)
        WasteMovement.objects.create(tank=tank, litres=1.0, moved_at="2026-02-10T12:00Z")
    yard.run()
    assert queries() == before
