"""Nothing a caller writes breaks the API: every answer is a success or a refusal in words."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.shop.api.test_lists import LISTS

QUICK = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)  # the client keeps no state that an example could leave behind
TEXTS = st.text(max_size=20) | st.sampled_from(
    ["0", "-1", "9" * 40, "nan", "2026-02-30", "\x00", "true", "'--"]
)
PARAMETERS = st.sampled_from(
    ["state", "overlay", "depot", "vehicle", "kind", "falls_due_before", "needs_action", "cursor", "page_size",
     "meter", "status", "when", "product", "supplier", "as_of", "model", "target_share"]
)  # fmt: skip
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=6,
)
MEMBERS = st.sampled_from(
    ["vehicle", "meter", "read_at", "source", "value", "unit", "answer", "depot", "as_of", "method", "done_on",
     "in_l", "out_kg", "leak_checked", "meter_text", "note", "subject"]
)  # fmt: skip
GOOD = {
    "vehicle": "K01",
    "meter": "odometer",
    "read_at": "2026-03-09T07:30:00+01:00",
    "source": "driver",
    "value": 100_000,
    "answer": "as typed",
    "depot": "NORTH",
    "method": "drain-and-refill",
    "done_on": "2026-03-09",
    "in_l": 3.6,
    "out_l": 3.6,
    "level_temp_c": 40,
    "leak_checked": True,
    "road_tested": True,
    "done_by": "T. One",
}


def is_plain(answer) -> bool:
    return answer.status_code < 500 and (
        answer.status_code < 400 or answer["Content-Type"] == "application/problem+json"
    )


@pytest.mark.parametrize("address", [*LISTS, "order-list.csv", "units/K01-TB6/exchange-plan"])
def test_no_query_breaks_a_list(foreman, address):
    @QUICK
    @given(st.dictionaries(PARAMETERS, TEXTS, max_size=2))
    def check(query):
        answer = foreman.get(f"/api/v1/{address}", query)
        assert is_plain(answer), (query, answer.content)

    check()


@pytest.mark.parametrize(
    "address", ["readings", "units/K01-TB6/jobs", "daily-runs", "readings/{pk}/answer", "token"]
)
def test_no_body_breaks_an_address(foreman, north, address):
    address = address.format(pk=north.reading.pk)

    @QUICK
    @given(VALUES | st.dictionaries(MEMBERS, VALUES, max_size=2).map(lambda changes: GOOD | changes))
    def check(body):
        answer = foreman.post(f"/api/v1/{address}", body, format="json")
        assert is_plain(answer), (body, answer.content)

    check()


@pytest.mark.parametrize(
    "address",
    [
        "readings/99999999999999999999999/answer",
        "daily-runs/NORTH/9999-99-99",
        "daily-runs/NO%00RTH/2026-03-09",
        "vehicles/%00",
        "vehicles/%F0%9F%9A%8C",
        "units/K01%2FTB6",
    ],
)
def test_no_address_breaks(foreman, address):
    for answer in (foreman.get(f"/api/v1/{address}"), foreman.post(f"/api/v1/{address}", {}, format="json")):
        assert answer.status_code in {404, 405}, answer.content
        assert is_plain(answer)


@pytest.mark.parametrize("member", ["vehicle", "meter", "source", "value", "read_at", "unit"])
@pytest.mark.parametrize("text", ["\ud800", "\x00", "\u202e"])
def test_characters_nobody_can_write_are_refused_in_words(foreman, member, text):
    body = json.dumps([GOOD, {**GOOD, member: text}])
    headers = {"Idempotency-Key": '"k"'}
    answer = foreman.post("/api/v1/readings", body, content_type="application/json", headers=headers)
    assert answer.status_code == 200
    assert [result["status"] for result in answer.json()["results"]] == ["accepted", "refused"]
