"""Pages that sum up a fleet make no object for each vehicle of it, and a list of one recall stays short."""

import re

import pytest
from django.test import Client

from shop.models import RecallClosing, Unit, Vehicle
from tests.factories import PersonFactory
from tests.objects import objects_made
from tests.shop.web.conftest import TODAY, Yard

NOTICE = {
    "code": "R1", "title": "pump seal", "kind": "stop-drive", "unit_models": "TB6", "vehicles": "",
    "from_day": TODAY.isoformat(), "source": "maker's notice",
}  # fmt: skip
DONE = {"closed_on": TODAY.isoformat(), "closed_by": "Bea", "how": "seal replaced"}


def objects_of(client: Client, address: str) -> int:
    """Return how many rows became an object while a page was made."""
    with objects_made() as made:
        answer = client.get(address)
        assert answer.status_code == 200
        assert answer.getvalue()
    return len(made)


@pytest.mark.parametrize(
    "address",
    [
        "/shelf-levels",
        "/shelf-levels.csv",
        "/labels/F01",
        "/fluids/fewest",
        "/fluids/fewest.csv",
        "/api/v1/fewest-fluids",
        "/fluids/F01/packs",
        "/recalls",
        "/severity",
        "/what-if?interval_km=50000&severity_factor=1.2",
    ],
)
def test_a_larger_fleet_makes_no_more_objects(foreman: Client, yard: Yard, address: str) -> None:
    foreman.post("/recalls", NOTICE | {"vehicles": "K01, K13"})
    foreman.post("/recalls/R1/vehicles/K13/close", DONE)
    objects_of(foreman, address)
    before = objects_of(foreman, address)
    for step in range(6):
        yard.add(f"L{step:02}", 57_000 + 900 * step)
    yard.run()
    assert objects_of(foreman, address) == before


@pytest.fixture
def short_list(foreman: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    """A recall of five vehicles, one of them closed, of which two at a time are shown."""
    monkeypatch.setattr("shop.web.recalls.MOST_SHOWN", 2)
    foreman.post("/recalls", NOTICE)
    foreman.post("/recalls/R1/vehicles/K02/close", DONE)
    return foreman


def shown(client: Client, address: str = "/recalls") -> tuple[list[str], str]:
    """Return the vehicles that can be closed on a page, and the page."""
    text = client.get(address).content.decode()
    return re.findall(r"recalls/R1/vehicles/(\w+)/close", text), text


def test_a_recall_of_many_vehicles_is_counted_whole_and_shown_in_part(short_list: Client, yard: Yard) -> None:
    numbers, text = shown(short_list)
    assert numbers == ["K01", "K08"]
    assert "Shown are 2 of 4 open and 1 of 1 closed, by number." in text
    assert "<strong>4</strong><span>open</span>" in text
    before = objects_of(short_list, "/recalls")
    for step in range(6):
        yard.add(f"L{step:02}", 57_000)
    assert objects_of(short_list, "/recalls") == before
    assert "Shown are 2 of 10 open" in shown(short_list)[1]


def test_a_vehicle_that_is_not_shown_is_found_by_its_number_and_closed(short_list: Client) -> None:
    numbers, text = shown(short_list, "/recalls?vehicle=K40")
    assert numbers == ["K40"]
    assert "Shown are 1 of 4 open and 0 of 1 closed" in text
    short_list.post("/recalls/R1/vehicles/K40/close", DONE)
    assert RecallClosing.objects.filter(vehicle__number="K40").exists()
    numbers, text = shown(short_list, "/recalls?vehicle=K40")
    assert numbers == []
    assert "Not open on K40, or it is none of your vehicles." in text
    assert "<strong>K40</strong> by Bea" in text
    assert shown(short_list, "/recalls?vehicle=K%00")[0] == []


def test_all_are_sent_over_the_api(short_list: Client) -> None:
    (row,) = short_list.get("/api/v1/recalls").json()
    assert [one["vehicle"] for one in row["open"]] == ["K01", "K08", "K13", "K40"]
    assert [one["units"] for one in row["open"]] == [["K01-TB6"], ["K08-TB6"], ["K13-TB6"], ["K40-TB6"]]
    assert [one["vehicle"] for one in row["closed"]] == ["K02"]


def test_a_closing_stays_on_the_list_when_its_unit_went_into_another_vehicle(
    short_list: Client, yard: Yard
) -> None:
    fitting = Unit.objects.get(code="K02-TB6").fittings.get()
    fitting.removed_on = TODAY
    fitting.save()
    numbers, text = shown(short_list)
    assert numbers == ["K01", "K08"]
    assert "<strong>K02</strong> by Bea" in text
    # What is open follows the unit.
    fitting.pk, fitting.removed_on = None, None
    fitting.vehicle = Vehicle.objects.create(depot=yard.depot, number="K00", name="spare", kind="van")
    fitting.save()
    assert shown(short_list)[0] == ["K00", "K01"]


def test_a_recall_of_two_unit_models_names_the_units_of_each_vehicle(foreman: Client, yard: Yard) -> None:
    other = yard.model
    other.pk, other.code, other.name = None, "AX1", "Axle"
    other.save()
    vehicle = Vehicle.objects.get(number="K01")
    axle = Unit.objects.create(code="A-AX1", unit_model=other)
    axle.fittings.create(vehicle=vehicle, position="axle")
    foreman.post("/recalls", NOTICE | {"unit_models": "TB6, AX1", "vehicles": "K01, K08"})
    client = Client()
    client.force_login(PersonFactory(role="foreman", depots=[yard.depot]))
    (row,) = client.get("/api/v1/recalls").json()
    assert row["unit_models"] == ["AX1", "TB6"]
    assert row["open"] == [
        {"vehicle": "K01", "units": ["A-AX1", "K01-TB6"]},
        {"vehicle": "K08", "units": ["K08-TB6"]},
    ]
