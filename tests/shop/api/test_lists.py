"""Lists: filters, cursor paging that stays stable, one number of queries whatever the length."""

import csv
import io

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import DueLine, Fitting, Unit, Vehicle
from tests.shop.api.conftest import build

LISTS = ["vehicles", "units", "readings", "due-list", "order-list", "daily-runs", "units/K01-TB6/jobs"]


def follow(client, address: str, **query) -> list[list[dict]]:
    """Return every page of a list, following `next`."""
    pages, answer = [], client.get(f"/api/v1/{address}", query).json()
    while True:
        pages.append(answer["results"])
        if answer["next"] is None:
            return pages
        answer = client.get(answer["next"]).json()


def add_line(place, name: str, **values) -> DueLine:
    """Add a vehicle with a unit and its due line."""
    vehicle = Vehicle.objects.create(depot=place.depot, number=name, name=name, kind="bus")
    unit = Unit.objects.create(code=f"{name}-TB6", unit_model=place.unit.unit_model)
    Fitting.objects.create(unit=unit, vehicle=vehicle, position="gearbox")
    return DueLine.objects.create(
        unit=unit, rule=place.line.rule, vehicle=vehicle, worked_out_for="2026-03-09", **values
    )


@pytest.fixture
def many(north):
    """Lines of every state, with ties and empty dates."""
    rows = [("must", {"state": "not yet", "must_not_move": True, "overlays": ["must not move"]})]
    rows += [(f"late{n}", {"state": "late", "used_share": 1.2 + 0.1 * (n % 3)}) for n in range(6)]
    rows += [(f"due{n}", {"state": "due", "used_share": 1.0 + 0.01 * n}) for n in range(3)]
    rows += [(f"open{n}", {"state": "window open", "book_by": f"2026-03-1{n}"}) for n in range(3)]
    rows += [(f"open{n}", {"state": "window open"}) for n in range(3, 6)]
    rows += [(f"never{n}", {"state": "cannot say"}) for n in range(3)]
    rows += [(f"yet{n}", {"state": "not yet", "due_on": f"2027-01-0{n + 1}"}) for n in range(3)]
    for name, values in rows:
        add_line(north, name, **values)
    return north


def numbers(pages: list[list[dict]]) -> list[str]:
    return [row["vehicle"] for page in pages for row in page]


def test_the_due_list_is_in_working_order(foreman, many):
    found = numbers(follow(foreman, "due-list"))
    assert found[0] == "must"
    assert found[1:7] == ["late2", "late5", "late1", "late4", "late0", "late3"]
    assert found[7:10] == ["due2", "due1", "due0"]
    assert found[10:17] == ["open0", "open1", "open2", "K01", "open3", "open4", "open5"]
    assert [name[:3] for name in found[17:]] == ["yet"] * 3 + ["nev"] * 3


@pytest.mark.parametrize("size", [1, 2, 7, 500])
def test_pages_of_any_size_hold_the_same_rows_once(foreman, many, size):
    pages = follow(foreman, "due-list", page_size=size)
    assert numbers(pages) == numbers(follow(foreman, "due-list"))
    assert all(len(page) == size for page in pages[:-1])


def test_pages_stay_stable_while_rows_are_added(foreman, many):
    before = numbers(follow(foreman, "due-list"))
    first = foreman.get("/api/v1/due-list", {"page_size": 6}).json()
    add_line(many, "early", state="late", used_share=9.0)
    add_line(many, "later", state="due", used_share=1.005)
    rest = [row["vehicle"] for row in foreman.get(first["next"]).json()["results"]]
    assert [row["vehicle"] for row in first["results"]] + [
        name for name in rest if name != "later"
    ] == before[:6] + [name for name in before[6:] if name in rest]
    assert "early" not in rest
    assert rest[:5] == [before[6], "due2", "due1", "later", "due0"]


@pytest.mark.parametrize("address", LISTS)
def test_a_cursor_nobody_gave_is_refused(foreman, address):
    answer = foreman.get(f"/api/v1/{address}", {"cursor": "WzFd"})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "cursor"


def test_a_cursor_of_another_list_is_refused(foreman, many):
    other = foreman.get("/api/v1/vehicles", {"page_size": 1}).json()["next"]
    assert foreman.get(other.replace("vehicles", "units")).status_code == 400


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({"state": "due"}, {"due0", "due1", "due2"}),
        ({"state": ["due", "late"], "vehicle": "late1"}, {"late1"}),
        ({"overlay": "must not move"}, {"must"}),
        ({"overlay": "on hold"}, set()),
        ({"vehicle": "K01"}, {"K01"}),
        ({"kind": "axle"}, set()),
        ({"depot": "SOUTH"}, set()),
        ({"falls_due_before": "2026-03-23"}, {"K01"}),
        ({"falls_due_before": "2026-03-22"}, set()),
        ({"needs_action": "false"}, {"yet0", "yet1", "yet2"}),
    ],
)
def test_the_due_list_is_filtered(foreman, many, query, expected):
    assert set(numbers(follow(foreman, "due-list", **query))) == expected


def test_what_needs_action_holds_all_but_what_is_not_yet(foreman, many):
    found = numbers(follow(foreman, "due-list", needs_action="true"))
    assert len(found) == 20
    assert "must" in found
    assert not [name for name in found if name.startswith("yet")]


def test_a_due_row_says_why_and_keeps_its_figures(foreman, north):
    (row,) = foreman.get("/api/v1/due-list").json()["results"]
    # 99 850 km yesterday and 150 a day, 42 000 at the job: 58 000 of 60 000 km.
    assert row["sentence"].startswith("58 000 of 60 000 km since 14 Jan 2025; 150 km/day → 22 Mar (18–26)")
    assert (row["facts"]["carried"], row["facts"]["missing"]) == (0, [])
    assert (row["due_on"], row["due_low_on"]) == ("2026-03-22", "2026-03-18")
    assert row["used_share"] == pytest.approx(58 / 60)
    assert row["overlays"] == []


@pytest.mark.parametrize(
    ("address", "query", "found"),
    [
        ("vehicles", {"kind": "bus", "depot": "NORTH"}, 1),
        ("vehicles", {"kind": "van"}, 0),
        ("units", {"vehicle": "K01", "model": "TB6", "kind": "automatic gearbox", "depot": "NORTH"}, 1),
        ("units", {"vehicle": "K02"}, 0),
        ("order-list", {"when": "order today", "product": "ATF-1", "supplier": "S1", "depot": "NORTH"}, 1),
        ("order-list", {"when": "can wait"}, 0),
        ("daily-runs", {"state": "done", "as_of": "2026-03-09", "depot": "NORTH"}, 1),
        ("daily-runs", {"as_of": "2026-03-08"}, 0),
    ],
)
def test_other_lists_are_filtered(foreman, address, query, found):
    assert len(foreman.get(f"/api/v1/{address}", query).json()["results"]) == found


def test_order_lines_are_numbers_with_their_currency(foreman):
    (row,) = foreman.get("/api/v1/order-list").json()["results"]
    assert (row["cost"], row["currency"], row["free_l"], row["order_l"]) == (300.0, "EUR", -2.5, 40.0)
    assert row["facts"]["packs"] == [{"count": 2, "printed": "20 L"}]


def test_no_cell_of_the_order_sheet_is_a_formula(foreman, north):
    # OWASP, “CSV Injection”: cells that start with = + - @, tab or carriage return
    north.proposed.sentence = "=HYPERLINK(0)"
    north.proposed.save()
    north.proposed.product.name = "@SUM(1)"
    north.proposed.product.save()
    answer = foreman.get("/api/v1/order-list.csv")
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer["Content-Disposition"]
    (row,) = csv.DictReader(io.StringIO(answer.content.decode(), newline=""))
    assert (row["sentence"], row["product_name"]) == ("'=HYPERLINK(0)", "'@SUM(1)")
    assert (row["free_l"], row["cost"], row["latest_order_day"]) == ("-2.5", "300.0", "2026-03-09")


def test_refusals_of_the_order_sheet_are_problems_too(foreman):
    answer = foreman.get("/api/v1/order-list.csv", {"when": "never"}, headers={"Accept": "text/csv"})
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize(
    "address", [*LISTS, "vehicles/K01", "units/K01-TB6", "units/K01-TB6/exchange-plan", "order-list.csv"]
)
def test_queries_do_not_grow_with_the_rows(foreman, north, address):
    def count() -> int:
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert foreman.get(f"/api/v1/{address}").status_code == 200
        return len(queries)

    before = count()
    for number in ("K02", "K03"):
        depot = type(north.depot).objects.create(code=f"D-{number}", name=number)
        foreman.person.depots.add(depot)
        build(depot, number, north.unit.unit_model)
    for number in ("K04", "K05"):
        add_line(north, number, state="due", used_share=1.0)
    assert count() == before <= 24
