"""A rule tried out over the API: the year, refusals with their place, and the promise of its document."""

import pytest

from shop.models import RuleVersion
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]


def ask(client, **asked):
    return client.post("/api/v1/what-if", {"unit_model": "TB6", **asked}, format="json")


def test_the_answer_fits_the_document_and_the_rule_stays(foreman, document):
    before = list(RuleVersion.objects.values())
    answer = ask(foreman, interval_km=50_000, severity_factor=1.2, policy="full credit")
    assert answer.status_code == 200, answer.content
    fits(document, "what-if", "post", answer)
    body = answer.json()
    assert len(body["months"]) == 12
    for side in ("before", "after"):
        assert sum(month[side]["jobs"] for month in body["months"]) == body[side]["jobs"]
    assert body["months"][0]["begins_on"] == body["as_of"]
    assert list(RuleVersion.objects.values()) == before


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"interval_km": -1}, "/interval_km"),
        ({"policy": "never"}, "/policy"),
        ({"cap_share": 5}, "/cap_share"),
        ({"unit_model": "NONE"}, "/unit_model"),
        ({"opens_share": "wide"}, "/opens_share"),
        ({"interval_km": 0, "interval_h": 0, "interval_months": 0}, "/interval_km"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_place(foreman, asked, pointer):
    answer = ask(foreman, **asked)
    assert answer.status_code in (400, 422)
    assert pointer.strip("/") in {one["pointer"].strip("/#") for one in answer.json()["errors"]}


def test_nobody_asks_without_sign_in(north, client):
    assert client.post("/api/v1/what-if", {}, content_type="application/json").status_code == 401
