"""Wastes and tanks by API: once per key, own depots only, the worked figures."""

import datetime

import pytest

from shop import clock
from shop.models import StockItem, StockMovement, Supplier, TankDip, WasteCollection, WasteMovement, WasteTank
from shop.services.tanks import TankReport, tank_write
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]


@pytest.fixture
def oil(north):
    return a_tank(north.depot)


@pytest.fixture
def collector(db):
    return Supplier.objects.create(
        code="SC", name="Sumpholme Collections", lead_working_days=5, minimum_l=400
    )


@pytest.fixture
def tank(foreman, north):
    item = StockItem.objects.get(depot=north.depot)
    return tank_write(foreman.person, item, TankReport("T1", 1500.0, marks=((0.0, 0.0), (1000.0, 1500.0))))


def a_tank(depot):
    return WasteTank.objects.create(
        depot=depot, stream="used oil", capacity_l=1000, level_l=630, mean_per_day_l=42, sd_per_day_l=24,
        collector_lead_days=5,
    )  # fmt: skip


def post(client, address, body, key=None):
    headers = {"HTTP_IDEMPOTENCY_KEY": f'"{key}"'} if key else {}
    return client.post(f"/api/v1/{address}", body, format="json", **headers)


def level(tank):
    return WasteTank.objects.get(pk=tank.pk).level_l


def test_the_containers_say_when_to_call(foreman, oil, south, document):
    a_tank(south.depot)
    answer = foreman.get("/api/v1/waste-containers")
    fits(document, "waste-containers", "get", answer)
    (row,) = answer.json()
    # 0.9*1000 - 42*5 - 1.645*24*sqrt(5) = 601.7, worked by hand.
    assert row["call_level_l"] == pytest.approx(601.7, abs=0.05)
    assert (row["call"], row["is_rate_learned"], row["open_collection"]) == ("call today", False, None)


def test_pours_and_dips_are_booked_once_a_key(foreman, oil, document):
    body = {"what": "pour", "container": oil.pk, "litres": 7.5, "stream": "used oil", "note": "trays"}
    answers = [post(foreman, "waste-movements", body, "pour-1") for _ in range(3)]
    fits(document, "waste-movements", "post", answers[0])
    assert [answer.status_code for answer in answers] == [201] * 3
    assert (level(oil), WasteMovement.objects.count()) == (637.5, 1)
    dip = {"what": "dip", "container": oil.pk, "litres": 600, "note": "stick"}
    assert post(foreman, "waste-movements", dip).json()["level_l"] == 600
    listed = foreman.get("/api/v1/waste-movements", {"reason": "dipped"})
    fits(document, "waste-movements", "get", listed)
    assert [row["litres"] for row in listed.json()["results"]] == [-37.5]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"stream": "coolant"}, "takes used oil, not coolant"),
        ({"litres": 371}, "cannot take"),
        ({"litres": -1}, "above zero"),
        ({"what": "dip", "note": ""}, "Say how"),
        ({"container": 999}, "no container 999"),
    ],
)
def test_a_booking_that_cannot_be_is_refused(foreman, oil, changes, said):
    body = {"what": "pour", "container": oil.pk, "litres": 7.5, "stream": "used oil"} | changes
    answer = post(foreman, "waste-movements", body)
    assert 400 <= answer.status_code < 500
    assert said in answer.content.decode()
    assert (level(oil), WasteMovement.objects.count()) == (630, 0)


def test_another_depots_container_and_visit_are_unknown(foreman, south, collector):
    tank = a_tank(south.depot)
    visit = WasteCollection.objects.create(depot=south.depot, collector=collector, called_on="2026-03-09")
    assert (
        post(foreman, "waste-movements", {"what": "dip", "container": tank.pk, "litres": 1}).status_code
        == 400
    )
    assert post(foreman, f"waste-collections/{visit.pk}/cancel", {"note": "x"}).status_code == 404
    assert foreman.get("/api/v1/waste-collections").json()["results"] == []


def test_a_visit_is_called_and_done_once_a_key(foreman, oil, north, collector, document):
    call = {"depot": "NORTH", "collector": "SC", "lines": [{"container": oil.pk, "expected_l": 630}]}
    below = call | {"lines": [{"container": oil.pk, "expected_l": 300}]}
    assert "below the 400 L" in post(foreman, "waste-collections", below).content.decode()
    twice = call | {"lines": call["lines"] * 2}
    assert post(foreman, "waste-collections", twice).status_code == 400
    answers = [post(foreman, "waste-collections", call, "call-1") for _ in range(2)]
    fits(document, "waste-collections", "post", answers[0])
    pk = answers[0].json()["id"]
    assert answers[1].json()["id"] == pk
    done = {
        "paper_number": "BN 1", "collected_on": "2026-03-09", "receipt": "driver",
        "lines": [{"container": oil.pk, "collected_l": 610, "weighed_kg": 540}],
    }  # fmt: skip
    for _ in range(2):
        answer = post(foreman, f"waste-collections/{pk}/done", done, "done-1")
        assert answer.status_code == 200
    fits(document, "waste-collections/{id}/done", "post", answer)
    assert (level(oil), WasteMovement.objects.count()) == (20, 1)
    assert post(foreman, f"waste-collections/{pk}/done", done).status_code == 409
    listed = foreman.get("/api/v1/waste-collections", {"state": "done", "called_from": "2026-03-01"})
    fits(document, "waste-collections", "get", listed)
    assert listed.json()["results"][0]["lines"][0]["collected_l"] == 610


def test_the_foreman_puts_containers_on_record(foreman, north):
    body = {"depot": "NORTH", "stream": "coolant", "capacity_l": 208, "mean_per_day_l": 3, "sd_per_day_l": 2,
            "collector_lead_days": 5}  # fmt: skip
    assert post(foreman, "waste-containers", body).json()["level_l"] == 0
    assert post(foreman, "waste-containers", body | {"capacity_l": 120}).json()["capacity_l"] == 120
    assert WasteTank.objects.count() == 1
    assert post(foreman, "waste-containers", body | {"stream": "slops"}).status_code == 400


def test_the_balance_is_given_by_month(foreman, oil, north, document):
    north.job.done_on, north.job.out_l, north.job.product = "2026-02-10", 3.6, north.unit.unit_model.product
    north.job.save()
    WasteMovement.objects.create(tank=oil, litres=3.0, job=north.job, moved_at="2026-02-10T12:00Z")
    answer = foreman.get("/api/v1/waste-balance")
    fits(document, "waste-balance", "get", answer)
    (month,) = answer.json()[0]["months"]
    assert (month["month"], month["expected_l"]) == ("2026-02-01", 3.6)
    assert month["gap_share"] == pytest.approx(0.6 / 3.6)
    assert month["is_to_look_at"] is True
    assert month["candidates"]


def test_a_tank_by_the_books_and_by_dip(foreman, tank, document):
    delivery = {"litres": 880, "batch": "EO-1"}
    answers = [post(foreman, "tanks/T1/delivery", delivery, "in-1") for _ in range(2)]
    fits(document, "tanks/{code}/delivery", "post", answers[0])
    assert answers[1].json()["book_l"] == 900
    dips = [post(foreman, "tank-dips", {"tank": "T1", "mm": 600, "temp_c": 15}, "dip-1") for _ in range(2)]
    fits(document, "tank-dips", "post", dips[0])
    assert (dips[0].json()["litres"], TankDip.objects.count()) == (900, 1)
    clock.pin(clock.now() + datetime.timedelta(days=30))
    # Worked by hand: 900 + 500 - 1 310 - 78 = 12; 12 / 1 310 = 0.92 %.
    post(foreman, "tanks/T1/delivery", {"litres": 500, "batch": "EO-2"})
    issue = post(foreman, "tanks/T1/issue", {"litres": 1310, "note": "fills"}, "out-1")
    fits(document, "tanks/{code}/issue", "post", issue)
    post(foreman, "tank-dips", {"tank": "T1", "litres": 78, "temp_c": 15})
    listed = foreman.get("/api/v1/tanks")
    fits(document, "tanks", "get", listed)
    (row,) = listed.json()
    assert row["months"][-1]["missing_share"] == pytest.approx(0.0092, abs=0.00005)
    assert (row["verdict"], row["book_l"]) == ("normal", 90)
    newest = foreman.get("/api/v1/tank-dips", {"tank": "T1"}).json()["results"][0]
    taken = [
        post(foreman, f"tank-dips/{newest['id']}/correction", {"note": "meter"}, "fix-1") for _ in range(2)
    ]
    fits(document, "tank-dips/{id}/correction", "post", taken[0])
    assert taken[1].json()["correction_l"] == pytest.approx(-12)
    assert StockMovement.objects.filter(reason="counted").count() == 1


def test_tanks_of_other_shelves_are_unknown(foreman, south, tank):
    item = StockItem.objects.get(depot=south.depot)
    body = {"item": item.pk, "tank": "T9", "capacity_l": 500}
    assert post(foreman, "tanks", body).status_code == 400
    assert post(foreman, "tanks/T9/issue", {"litres": 1, "note": "x"}).status_code == 404
    own = {
        "item": tank.item_id,
        "tank": "T1",
        "capacity_l": 1400,
        "marks": [{"mm": 0, "litres": 0}, {"mm": 9, "litres": 9}],
    }
    assert post(foreman, "tanks", own).json()["capacity_l"] == 1400
    assert tank.marks.count() == 2
