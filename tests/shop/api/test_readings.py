"""Readings over the API: each of a batch gets its own outcome, and sending twice changes nothing."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop.models import IdempotentAnswer, Reading

ADDRESS = "/api/v1/readings"


def given(km: float | str = 100_000, **changes) -> dict:
    return {
        "vehicle": "K01",
        "meter": "odometer",
        "read_at": "2026-03-09T07:30:00+01:00",
        "source": "telematics",
        "value": km,
    } | changes


def post(client, body, key: str | None = None):
    headers = {"Idempotency-Key": f'"{key}"'} if key else {}
    return client.post(ADDRESS, body, format="json", headers=headers)


def test_a_good_reading_goes_in_with_its_true_total(foreman):
    answer = post(foreman, given(100_000))
    assert answer.status_code == 200
    (result,) = answer.json()["results"]
    assert (result["index"], result["status"]) == (0, "accepted")
    kept = Reading.objects.get(pk=result["reading"])
    assert (kept.true_total, kept.raw_text) == (100_000, "100000")
    assert str(kept.read_on) == "2026-03-09"


def test_an_odd_reading_is_set_aside_and_asked_about(foreman):
    (result,) = post(foreman, given(1_000_000)).json()["results"]
    assert result["status"] == "asked"
    kept = Reading.objects.get(pk=result["reading"])
    assert kept.true_total is None
    assert result["sentence"] == kept.question != ""


def test_each_reading_of_a_batch_has_its_own_outcome(foreman, south):
    batch = [
        given(100_000),
        given(100_000),
        given(100_010, read_at="2026-03-09T07:40:00"),
        given(100_010, vehicle="K90"),
        given(12, meter="engine hours"),
        given(-5, read_at="2026-03-08T07:30:00Z"),
        "no reading",
        given(True),
        given(1_000_000, read_at="2026-03-09T06:50:00Z"),
    ]
    answer = post(foreman, batch)
    assert answer.status_code == 200
    body = answer.json()
    assert [result["index"] for result in body["results"]] == list(range(9))
    assert [result["status"] for result in body["results"]] == [
        "accepted", "unchanged", "refused", "refused", "refused", "refused", "refused", "refused", "asked",
    ]  # fmt: skip
    assert body["counts"] == {"accepted": 1, "asked": 1, "unchanged": 1, "refused": 6}
    pointers = [error["pointer"] for error in body["errors"]]
    assert pointers == ["#/2/read_at", "#/3/vehicle", "#/4/meter", "#/5/value", "#/6", "#/7/value"]
    assert all(error["detail"].endswith(".") for error in body["errors"])
    assert body["results"][0]["reading"] == body["results"][1]["reading"]


def test_a_single_refused_reading_is_no_success(foreman):
    answer = post(foreman, given("12 apples"))
    assert answer.status_code == 422
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["errors"][0]["pointer"] == "#/value"
    assert answer.json()["detail"] == answer.json()["errors"][0]["detail"]


def test_a_batch_of_nothing_but_refused_readings_is_no_success(foreman):
    answer = post(foreman, [given(vehicle="K77"), given(source="guess")])
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/0/vehicle", "#/1/source"]


@pytest.mark.parametrize("count", [0, 5001])
def test_batches_have_a_size(foreman, count):
    answer = post(foreman, [given()] * count)
    assert answer.status_code == 400
    assert "1 to 5000" in answer.json()["detail"]


def test_the_same_reading_sent_three_times_is_one_row(foreman):
    before = Reading.objects.count()
    statuses = [post(foreman, given()).json()["results"][0]["status"] for _ in range(3)]
    assert statuses == ["accepted", "unchanged", "unchanged"]
    assert Reading.objects.count() == before + 1


def test_one_key_and_one_body_bring_the_first_answer_again(foreman):
    first, second = post(foreman, given(), "a-1"), post(foreman, given(), "a-1")
    assert first.json()["results"][0]["status"] == "accepted"
    assert (second.status_code, second.json()) == (first.status_code, first.json())
    assert IdempotentAnswer.objects.count() == 1


def test_one_key_with_another_body_is_refused_and_nothing_is_done(foreman):
    # draft-ietf-httpapi-idempotency-key-header-07, section 2.7: reused key, other payload, 422
    post(foreman, given(), "a-1")
    before = Reading.objects.count()
    answer = post(foreman, given(100_001, read_at="2026-03-09T07:45:00+01:00"), "a-1")
    assert answer.status_code == 422
    assert answer.json()["code"] == "idempotency-key-reused"
    assert Reading.objects.count() == before


def test_keys_of_two_people_never_meet(foreman, signed_in):
    assert post(foreman, given(), "a-1").status_code == 200
    other = post(signed_in("technician"), given(100_001, read_at="2026-03-09T07:45:00+01:00"), "a-1")
    assert other.json()["results"][0]["status"] == "accepted"


@pytest.mark.parametrize("header", ["a-1", '"', '"a', '""', '"ä"', '"a"b"', '"' + "a" * 201 + '"'])
def test_a_key_is_a_quoted_string(foreman, header):
    # RFC 9651, 3.3.3: a String is ASCII in double quotes
    answer = foreman.post(ADDRESS, given(), format="json", headers={"Idempotency-Key": header})
    assert answer.status_code == 400
    assert "double quotes" in answer.json()["detail"]


def test_a_request_that_fails_keeps_no_answer_to_its_key(foreman):
    assert post(foreman, given(vehicle="K77"), "a-1").status_code == 422
    assert post(foreman, given(), "a-1").status_code == 200


def test_readings_are_filtered_and_the_latest_comes_first(foreman):
    post(foreman, given(1_000_000))
    asked = foreman.get(ADDRESS, {"vehicle": "K01", "meter": "odometer", "status": "asked"}).json()["results"]
    assert [row["raw_value"] for row in asked] == [1_000_000]
    assert asked[0]["true_total_km"] is None
    kept = foreman.get(ADDRESS, {"status": "accepted"}).json()["results"]
    assert [row["true_total_km"] for row in kept] == [99_850, 95_500, 91_000]
    assert kept[0]["true_total_h"] is None
    assert foreman.get(ADDRESS, {"meter": "engine hours"}).json()["results"] == []


def test_a_question_is_answered_once(foreman):
    pk = post(foreman, given(1_000_000)).json()["results"][0]["reading"]
    first = foreman.post(f"{ADDRESS}/{pk}/answer", {"answer": "not a reading"}, format="json")
    assert first.status_code == 200
    assert first.json()["status"] == "refused"
    again = foreman.post(f"{ADDRESS}/{pk}/answer", {"answer": "not a reading"}, format="json")
    assert again.status_code == 409
    wrong = foreman.post(f"{ADDRESS}/{pk}/answer", {"answer": "maybe"}, format="json")
    assert wrong.json()["errors"][0]["pointer"] == "#/answer"


def test_queries_do_not_grow_with_the_batch(foreman):
    def queries(count: int, hour: int) -> int:
        batch = [
            given(100_000 + n / 10, read_at=f"2026-03-09T0{hour}:{n // 60:02}:{n % 60:02}Z")
            for n in range(count)
        ]
        with CaptureQueriesContext(connection) as captured:
            answer = post(foreman, batch)
        assert len(answer.json()["results"]) == count
        return len(captured)

    assert queries(60, 6) <= queries(2, 5) + 1 <= 42
