"""Stock by API: bookings once per key, goods in, batches, the pick list."""

import pytest

from shop.models import Job, OrderedLine, StockItem, StockMovement, Supplier


@pytest.fixture
def item(north):
    return StockItem.objects.get(depot=north.depot)


def post(client, address, body, key=None):
    headers = {"HTTP_IDEMPOTENCY_KEY": f'"{key}"'} if key else {}
    return client.post(f"/api/v1/{address}", body, format="json", **headers)


def test_the_same_booking_sent_again_books_once(foreman, item):
    body = {"what": "write off", "item": item.pk, "litres": 1.5, "note": "spilt"}
    answers = [post(foreman, "stock-movements", body, key="spill-1") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [201] * 3
    assert answers[0].json() == answers[2].json()
    assert StockMovement.objects.count() == 1
    (listed,) = foreman.get("/api/v1/stock-movements").json()["results"]
    assert (listed["litres"], listed["reason"], listed["note"], listed["label"]) == (
        -1.5,
        "written off",
        "spilt",
        "A1",
    )
    (stock,) = foreman.get("/api/v1/stock").json()["results"]
    assert stock["on_shelf_l"] == 18.5


def test_the_sums_of_a_product_stand_apart(foreman, item):
    StockItem.objects.create(
        depot=item.depot, product=item.product, label="Q1", pack_size_l=5, on_shelf_l=5, is_quarantined=True
    )
    StockItem.objects.create(
        depot=item.depot,
        product=item.product,
        label="Old",
        pack_size_l=5,
        on_shelf_l=2.5,
        use_by="2020-01-31",
    )
    (sums,) = foreman.get("/api/v1/stock-sums").json()
    held_l = item.on_shelf_l
    assert sums == {
        "depot": item.depot.code, "product": item.product.code, "on_shelf_l": held_l + 7.5, "reserved_l": 0.0,
        "quarantined_l": 5.0, "past_use_by_l": 2.5, "free_l": held_l, "on_order_l": 0.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"what": "flood"}, "#/what"),
        ({"what": "count"}, "#/litres"),
        ({"what": "decant", "litres": 1}, "#/label"),
        ({"what": "transfer", "litres": 20}, "#/to"),
        ({"what": "transfer", "litres": 20, "to": "SOUTH"}, "#/to"),
        ({"what": "return", "litres": 20, "job": "none"}, "#/job"),
        ({"what": "count", "litres": "much"}, "#/litres"),
        ({"what": "write off", "litres": 1}, "#/note"),
    ],
)
def test_a_booking_that_cannot_be_names_its_member(foreman, item, body, pointer):
    answer = post(foreman, "stock-movements", {"item": item.pk, **body})
    assert answer.status_code in (400, 422)
    assert pointer in [error["pointer"] for error in answer.json()["errors"]]
    assert not StockMovement.objects.exists()


def test_more_than_there_is_is_a_conflict(foreman, item):
    answer = post(
        foreman, "stock-movements", {"what": "write off", "item": item.pk, "litres": 21, "note": "spilt"}
    )
    assert answer.status_code == 409
    assert "holds 20.00 L" in answer.json()["detail"]


def test_another_depots_packs_are_unknown(foreman, north, south):
    theirs = StockItem.objects.get(depot=south.depot)
    answer = post(foreman, "stock-movements", {"what": "count", "item": theirs.pk, "litres": 1})
    assert answer.status_code == 400
    assert "no packs" in answer.json()["errors"][0]["detail"]
    theirs.refresh_from_db()
    assert theirs.on_shelf_l == 20


def test_goods_come_in_against_an_order(foreman, north, item):
    order = OrderedLine.objects.create(
        depot=north.depot, supplier=Supplier.objects.get(), product=item.product, litres=60, ordered_on="2026-03-05",
        expected_on="2026-03-11",
    )  # fmt: skip
    body = {
        "depot": "NORTH", "product": "ATF-1", "order": order.pk,
        "packs": [{"pack_size_l": 20, "count": 2, "batch": "B8", "use_by": "2030-01-31"}],
    }  # fmt: skip
    answer = post(foreman, "goods-in", body, key="delivery-1")
    assert answer.status_code == 201
    assert (answer.json()["order_is_open"], answer.json()["outstanding_l"]) == (True, 20.0)
    assert answer.json()["room_warnings"] == []
    assert post(foreman, "goods-in", body, key="delivery-1").json() == answer.json()
    assert StockItem.objects.get(batch="B8").on_shelf_l == 40
    wrong = post(foreman, "goods-in", {**body, "product": "none", "order": 99})
    assert {error["pointer"] for error in wrong.json()["errors"]} == {"#/product", "#/order"}


def test_a_batch_tells_where_it_went_and_can_be_set_aside(foreman, north, item):
    Job.objects.filter(pk=north.job.pk).update(product=item.product, batch="B6, B7")
    trace = foreman.get("/api/v1/batches/ATF-1/B7").json()
    assert [own["unit"] for own in trace["units"]] == [north.unit.code]
    assert trace["is_set_aside"] is False
    answer = post(foreman, "batches/ATF-1/B7", {"what": "set aside", "note": "supplier's notice"})
    assert answer.json()["is_set_aside"] is True
    assert foreman.get("/api/v1/batches/ATF-1/B").json()["units"] == []
    assert foreman.get("/api/v1/batches/none/B7").status_code == 404


def test_the_pick_list_takes_each_litre_once_and_says_what_is_short(foreman, north, item):
    for hour in ("07:30", "09:00"):
        Job.objects.create(
            code=f"J-{hour}", unit=north.unit, vehicle=north.vehicle, state="booked", subject=f"fluid {hour}",
            booked_for=f"2026-03-10T{hour}:00+00:00",
        )  # fmt: skip
    (listed,) = foreman.get("/api/v1/pick-lists?day=2026-03-10").json()
    first, second = listed["picks"]
    assert first["from_items"] == [{"item": item.pk, "label": "A1", "litres": first["litres"]}]
    assert second["short_l"] == pytest.approx(max(0.0, 2 * first["litres"] - 20))
    assert foreman.get("/api/v1/pick-lists?day=nonsense").status_code == 400


def test_fluid_is_reserved_once_per_key_and_freed_with_a_reason(foreman, item, north):
    body = {"unit": "K01-TB6", "litres": 4.0}
    answers = [post(foreman, "reservations", body, key="for-k01") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    made = answers[0].json()
    assert answers[1].json() == made
    assert (made["reservation"]["unit"], made["reservation"]["litres"], made["short_l"]) == (
        "K01-TB6",
        4.0,
        0.0,
    )
    (listed,) = foreman.get("/api/v1/reservations").json()["results"]
    assert listed == made["reservation"]
    assert post(foreman, f"reservations/{listed['id']}/free", {"note": ""}).status_code == 400
    assert post(foreman, f"reservations/{listed['id']}/free", {"note": "turned away"}).status_code == 200
    assert foreman.get("/api/v1/reservations").json()["results"] == []
    assert post(foreman, "reservations", {"unit": "K90-TB6"}).status_code == 400
