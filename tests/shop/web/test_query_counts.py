"""The number of queries behind a page does not grow with the fleet."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

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
