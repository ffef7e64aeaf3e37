"""Meters by API: a change once per key, taken back, and a reading moved to its vehicle."""

import pytest

from shop.models import Meter, MeterChange, Reading, UnitModel


def post(client, address, body, key=None):
    headers = {"HTTP_IDEMPOTENCY_KEY": f'"{key}"'} if key else {}
    return client.post(f"/api/v1/{address}", body, format="json", **headers)


def test_a_change_is_noted_once_per_key_and_taken_back(foreman, north):
    meter = Reading.objects.filter(meter__vehicle__number="K01", status="accepted").latest("read_at").meter
    shown = meter.readings.filter(status="accepted").latest("read_at")
    body = {
        "meter": meter.kind, "kind": "replaced", "day": shown.read_on.isoformat(),
        "last_old": f"{shown.raw_value + 500:g}", "first_new": "12",
    }  # fmt: skip
    answers = [post(foreman, "vehicles/K01/meter-changes", body, key="new-cluster") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    change = answers[0].json()["change"]
    assert (change["vehicle"], change["first_new"]) == ("K01", 12.0)
    (listed,) = foreman.get("/api/v1/vehicles/K01/meters").json()
    assert listed["changes"] == [change]
    assert listed["readings"]
    assert listed["overruled"] == []
    assert post(foreman, f"meter-changes/{change['id']}/withdraw", {"note": ""}).status_code == 400
    done = post(foreman, f"meter-changes/{change['id']}/withdraw", {"note": "another van"})
    assert (done.status_code, done.json()["change"]["id"]) == (200, change["id"])
    assert not MeterChange.objects.exists()


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"last_old": "much"}, "#/last_old"),
        ({"day": "2099-01-01"}, "#/day"),
        ({"meter": "engine hours"}, "#/meter"),
    ],
)
def test_a_change_that_cannot_be_names_its_member(foreman, north, body, pointer):
    given = {
        "meter": "odometer",
        "kind": "replaced",
        "day": "2026-03-01",
        "last_old": "900000",
        "first_new": "1",
    }
    answer = post(foreman, "vehicles/K01/meter-changes", given | body)
    assert answer.status_code in (400, 422)
    assert pointer in [error["pointer"] for error in answer.json()["errors"]]


def test_a_reading_moves_to_no_vehicle_that_is_not_there(foreman, north):
    reading = Reading.objects.filter(meter__vehicle__number="K01").first()
    answer = post(foreman, f"readings/{reading.pk}/move", {"vehicle": "K90"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "#/vehicle")


def test_take_off_hours_go_in_and_come_out_as_hours_of_their_own_meter(foreman, north):
    UnitModel.objects.update(hours_meter=Meter.Kind.TAKE_OFF)
    for kind in (Meter.Kind.HOURS, Meter.Kind.TAKE_OFF):
        Meter.objects.create(vehicle=north.vehicle, kind=kind, shown_in="h", class_rate_per_day=3)
    given = {
        "vehicle": "K01", "meter": "power take-off hours", "read_at": "2026-03-09T06:00:00+01:00",
        "source": "driver", "value": "1204:30", "unit": "hh:mm",
    }  # fmt: skip
    answer = post(foreman, "readings", [given], key="one")
    assert answer.json()["counts"]["accepted"] == 1, answer.json()
    (row,) = foreman.get("/api/v1/readings?meter=power take-off hours").json()["results"]
    assert (row["meter"], row["true_total_h"], row["true_total_km"]) == (given["meter"], 1_204.5, None)
    assert foreman.get("/api/v1/readings?meter=engine hours").json()["results"] == []
    assert foreman.get(f"/api/v1/units/{north.unit.code}").json()["hours_meter"] == "power take-off hours"
    assert foreman.get("/api/v1/vehicles/K01").json()["average_speed_km_h"] is None
