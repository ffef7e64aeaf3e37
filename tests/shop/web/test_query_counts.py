"""The number of queries behind a page does not grow with the fleet."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import WasteMovement, WasteTank

PAGES = [
    "/",
    "/due?show=everything",
    "/due.csv?show=everything",
    "/units/K01-TB6",
    "/vehicles/K01",
    "/orders",
    "/tools",
    "/stock",
    "/pick-list",
    "/what-if?interval_km=50000",
    "/catch-up",
    "/wastes",
    "/wastes/balance",
    "/wastes/call",
    "/tanks",
]


@pytest.mark.parametrize("address", PAGES)
def test_twice_the_rows_take_no_more_queries(foreman, yard, address):
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
