"""Refusals have the shape of RFC 9457 (problem details for HTTP APIs), whatever caused them."""

import pytest

from shop.api.errors import located, pointer


def check(answer, status: int) -> dict:
    """Check the members RFC 9457 section 3.1 defines and return the problem."""
    body = answer.json()
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.status_code == body["status"] == status
    assert body["type"] == "about:blank"
    assert body["title"] == answer.reason_phrase  # section 4.2.1: with about:blank the status phrase
    assert body["detail"].endswith(".")
    return body


def test_an_unknown_address(foreman):
    assert "/api/v1/docs" in check(foreman.get("/api/v1/nothing/here"), 404)["detail"]
    check(foreman.get("/api/v1/vehicles/"), 404)
    check(foreman.post("/api/v1/nothing", {}, format="json"), 404)


def test_a_day_that_does_not_exist_is_no_address(foreman):
    check(foreman.get("/api/v1/daily-runs/NORTH/2026-02-30"), 404)


def test_a_method_an_address_does_not_take(foreman):
    answer = foreman.delete("/api/v1/vehicles")
    assert "takes GET" in check(answer, 405)["detail"]
    assert "GET" in answer["Allow"]


def test_a_media_type_nobody_reads(foreman):
    check(foreman.post("/api/v1/readings", "a=1", content_type="text/plain"), 415)


def test_a_media_type_nobody_writes(foreman):
    check(foreman.get("/api/v1/vehicles", headers={"Accept": "image/png"}), 406)


@pytest.mark.parametrize("body", ["{", '{"a": NaN}', ""])
def test_a_body_that_is_no_json(foreman, body):
    answer = foreman.post("/api/v1/daily-runs", body, content_type="application/json")
    check(answer, 400)


def test_wrong_members_are_named_by_pointer(foreman):
    answer = foreman.post("/api/v1/daily-runs", {"as_of": "9 March"}, format="json")
    problem = check(answer, 400)
    assert {error["pointer"] for error in problem["errors"]} == {"#/depot", "#/as_of"}


def test_wrong_query_parameters_are_named(foreman):
    problem = check(foreman.get("/api/v1/due-list?state=never"), 400)
    assert [error["parameter"] for error in problem["errors"]] == ["state"]


def test_an_unknown_query_parameter_never_widens_the_answer(foreman):
    problem = check(foreman.get("/api/v1/due-list?vehcile=K01"), 400)
    assert problem["errors"][0]["parameter"] == "vehcile"
    assert "vehicle" in problem["detail"]


@pytest.mark.parametrize("size", ["0", "501", "-1", "ten", "1e9", "²"])
def test_page_sizes_have_limits(foreman, size):
    problem = check(foreman.get("/api/v1/vehicles", {"page_size": size}), 400)
    assert problem["errors"][0]["parameter"] == "page_size"


def test_an_application_error_keeps_its_sentence_and_fields(foreman, north):
    problem = check(foreman.post("/api/v1/units/K01-TB6/jobs", {"done_on": "2026-03-09"}, format="json"), 422)
    pointers = {error["pointer"] for error in problem["errors"]}
    assert {"#/method", "#/in_l", "#/done_by", "#/leak_checked"} <= pointers


def test_what_nobody_foresaw_is_logged_and_stays_a_problem(foreman, monkeypatch, caplog):
    def break_down(*args):
        raise RuntimeError("a secret inside")

    monkeypatch.setattr("shop.api.vehicles.VehicleList.rows", staticmethod(break_down))
    answer = foreman.get("/api/v1/vehicles")
    assert "secret" not in check(answer, 500)["detail"]
    assert "a secret inside" in caplog.text


def test_pointers_are_escaped_as_rfc_6901_asks():
    # RFC 6901 section 6, the examples "/a~1b" and "/m~0n" as URI fragments
    assert pointer(("a/b",)) == "#/a~1b"
    assert pointer(("m~n",)) == "#/m~0n"
    assert pointer(()) == "#"


def test_nested_messages_are_flattened_with_their_places():
    detail = {"lines": [{}, {"value": ["not a number"]}], "non_field_errors": ["too many"]}
    assert list(located(detail)) == [
        {"detail": "not a number", "pointer": "#/lines/1/value"},
        {"detail": "too many", "pointer": "#"},
    ]
