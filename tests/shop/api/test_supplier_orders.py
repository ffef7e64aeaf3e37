"""Orders with suppliers over the API: the draft, placing it once, following it, its sheet."""

import csv
import io

import pytest

from shop.models import OrderedLine, OrderMail, Supplier, SupplierOrder
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]

ORDER = {
    "depot": "NORTH", "supplier": "S1", "draft": 0, "mail_to": "orders@seller.example",
    "packs": [{"product": "ATF-1", "pack": "20 L", "count": 2}],
}  # fmt: skip


def post(client, address, body, key=None):
    headers = {"Idempotency-Key": f'"{key}"'} if key else {}
    return client.post(f"/api/v1/{address}", body, format="json", headers=headers)


@pytest.fixture
def placed(foreman):
    return post(foreman, "supplier-orders", ORDER).json()


def test_the_draft_says_what_to_order_and_what_the_terms_say(foreman, north):
    Supplier.objects.update(minimum_l=100)
    draft = foreman.get("/api/v1/order-drafts/NORTH/S1").json()
    (pack,) = draft["packs"]
    assert (draft["draft"], pack["count"], draft["litres"], draft["cost"]) == (0, 2, 40.0, 300.0)
    assert draft["notes"] == ["60.0 L below the minimum of 100 L; top up or wait."]
    assert foreman.get("/api/v1/order-drafts/SOUTH/S1").status_code == 404
    assert foreman.get("/api/v1/order-drafts/NORTH/none").status_code == 404


def test_an_order_is_placed_once_however_often_it_is_sent(foreman, north):
    first = post(foreman, "supplier-orders", ORDER, key="order-1")
    assert first.status_code == 201
    assert first.json()["number"] == "NORTH-2026-001"
    assert (first.json()["mail_state"], first.json()["expected_on"]) == ("queued", "2026-03-11")
    assert post(foreman, "supplier-orders", ORDER, key="order-1").json() == first.json()
    again = post(foreman, "supplier-orders", ORDER)
    assert (again.status_code, again.json()["number"]) == (200, "NORTH-2026-001")
    more = post(foreman, "supplier-orders", {**ORDER, "packs": [{**ORDER["packs"][0], "count": 3}]})
    assert more.status_code == 409
    assert "nothing was ordered twice" in more.json()["detail"]
    assert SupplierOrder.objects.count() == OrderMail.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"depot": "SOUTH"}, "#/depot"),
        ({"supplier": "none"}, "#/supplier"),
        ({"packs": []}, "#/packs"),
        ({"packs": [{"product": "ATF-1", "pack": "60 L", "count": 1}]}, "#/packs"),
        ({"packs": [{"product": "ATF-1", "pack": "20 L", "count": 0}]}, "#/packs/0/count"),
        ({"mail_to": "nobody"}, "#/mail_to"),
        ({"mail_to": ""}, "#/told"),
        ({"draft": -1}, "#/draft"),
    ],
)
def test_what_cannot_be_ordered_is_refused_by_field(foreman, south, change, pointer):
    answer = post(foreman, "supplier-orders", ORDER | change)
    assert answer.status_code in {400, 422}
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}
    assert not SupplierOrder.objects.exists()


def test_orders_are_listed_and_narrowed(foreman, placed):
    for query, count in (
        ("", 1),
        ("?state=placed", 1),
        ("?state=closed", 0),
        ("?supplier=S1&depot=NORTH", 1),
    ):
        assert len(foreman.get(f"/api/v1/supplier-orders{query}").json()["results"]) == count
    assert foreman.get("/api/v1/supplier-orders?colour=red").status_code == 400
    assert foreman.get("/api/v1/supplier-orders/NORTH-2026-001").json() == placed


def test_an_order_is_chased_received_in_part_and_given_up(foreman, placed):
    address = "supplier-orders/NORTH-2026-001"
    chased = post(foreman, f"{address}/chase", {"promised_on": "2026-03-20", "note": "Oda"}, key="c")
    assert chased.json()["lines"][0]["promised_on"] == "2026-03-20"
    line = placed["lines"][0]["id"]
    goods = {
        "depot": "NORTH", "product": "ATF-1", "order": line,
        "packs": [{"pack_size_l": 20, "count": 1, "batch": "B8"}],
    }  # fmt: skip
    taken = post(foreman, "goods-in", goods).json()
    assert (taken["outstanding_l"], taken["over_l"]) == (20.0, 0.0)
    assert foreman.get(f"/api/v1/{address}").json()["state"] == "part received"
    assert post(foreman, f"{address}/cancel", {"reason": "late"}).status_code == 409
    assert post(foreman, f"{address}/give-up", {"line": 999, "note": "gone"}).status_code == 400
    done = post(foreman, f"{address}/give-up", {"line": line, "note": "out of stock"}, key="g")
    assert done.json()["state"] == "closed"
    assert (
        post(foreman, f"{address}/give-up", {"line": line, "note": "out of stock"}, key="g").json()
        == done.json()
    )


def test_an_order_is_cancelled_once(foreman, placed):
    address = "supplier-orders/NORTH-2026-001/cancel"
    done = post(foreman, address, {"reason": "ordered twice"}, key="x")
    assert [done.json()[name] for name in ("state", "mail_state", "cancel_mail_state")] == [
        "cancelled",
        None,
        None,
    ]
    assert post(foreman, address, {"reason": "ordered twice"}, key="x").json() == done.json()
    assert post(foreman, address, {"reason": "ordered twice"}).status_code == 409
    assert not OrderedLine.objects.filter(is_open=True).exists()


def test_the_mail_goes_out_again_when_it_failed(foreman, placed):
    address = "supplier-orders/NORTH-2026-001/mail-again"
    assert post(foreman, address, {}).status_code == 409
    OrderMail.objects.update(state="failed")
    assert post(foreman, address, {}).json()["mail_state"] == "queued"


def test_the_sheet_comes_as_pdf_and_as_csv(foreman, placed):
    pdf = foreman.get("/api/v1/supplier-orders/NORTH-2026-001/order.pdf")
    assert (pdf["Content-Type"], pdf.content[:5]) == ("application/pdf", b"%PDF-")
    sheet = foreman.get("/api/v1/supplier-orders/NORTH-2026-001/order.csv")
    assert sheet["Content-Disposition"] == 'attachment; filename="NORTH-2026-001.csv"'
    (row,) = csv.DictReader(io.StringIO(sheet.content.decode()))
    assert (row["count"], row["litres"], row["cost"]) == ("2", "40.0", "300.00")
    missing = foreman.get("/api/v1/supplier-orders/NORTH-2026-009/order.pdf")
    assert (missing.status_code, missing["Content-Type"]) == (404, "application/problem+json")


def test_a_supplier_says_how_punctual(foreman, placed):
    told = foreman.get("/api/v1/suppliers/S1").json()
    assert told["punctuality"]["on_time_share"] is None
    post(foreman, "goods-in", {
        "depot": "NORTH", "product": "ATF-1", "order": placed["lines"][0]["id"],
        "packs": [{"pack_size_l": 20, "count": 2, "batch": "B8"}],
    })  # fmt: skip
    seen = foreman.get("/api/v1/suppliers/S1").json()["punctuality"]
    assert (seen["orders"], seen["on_time_share"], seen["p80_lead"]) == (1, 1.0, 0)
    assert foreman.get("/api/v1/suppliers/none").status_code == 404


@pytest.mark.parametrize("action", ["", "/cancel", "/chase", "/give-up", "/mail-again"])
def test_roles_that_do_not_plan_write_nothing(signed_in, placed, action):
    number = "/NORTH-2026-001" if action else ""
    answer = post(signed_in("technician"), f"supplier-orders{number}{action}", {})
    assert answer.status_code == 403


def test_answers_fit_the_document(foreman, placed, document):
    one = "supplier-orders/{number}"
    fits(document, "supplier-orders", "get", foreman.get("/api/v1/supplier-orders"))
    fits(document, one, "get", foreman.get("/api/v1/supplier-orders/NORTH-2026-001"))
    fits(document, "supplier-orders", "post", post(foreman, "supplier-orders", ORDER))
    fits(
        document,
        f"{one}/cancel",
        "post",
        post(foreman, "supplier-orders/NORTH-2026-001/cancel", {"reason": "x"}),
    )
    fits(document, "order-drafts/{depot}/{supplier}", "get", foreman.get("/api/v1/order-drafts/NORTH/S1"))
    fits(document, "suppliers/{code}", "get", foreman.get("/api/v1/suppliers/S1"))


def test_another_depots_order_is_as_unknown_as_none(foreman, placed, south):
    SupplierOrder.objects.update(depot=south.depot)
    for address in ("", "/order.pdf", "/order.csv"):
        assert foreman.get(f"/api/v1/supplier-orders/NORTH-2026-001{address}").status_code == 404
    assert post(foreman, "supplier-orders/NORTH-2026-001/cancel", {"reason": "x"}).status_code == 404
