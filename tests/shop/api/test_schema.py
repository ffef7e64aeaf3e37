"""The OpenAPI document is valid and true: real answers fit the shapes it promises."""

import json
from io import StringIO

import jsonschema
import pytest
from django.core.management import call_command
from django.urls import get_resolver

from shop.models import Hold


@pytest.fixture
def document(foreman):
    return json.loads(foreman.get("/api/v1/openapi.json").content)


def as_json_schema(schema):
    """Turn a schema of OpenAPI 3.0 into JSON Schema: `nullable` becomes a second type, nothing unnamed is let in."""
    if isinstance(schema, list):
        return [as_json_schema(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    plain = {name: as_json_schema(value) for name, value in schema.items() if name != "nullable"}
    if plain.get("type") == "object" and "properties" in plain:
        plain.setdefault("additionalProperties", False)
    return {"anyOf": [plain, {"type": "null"}]} if schema.get("nullable") is True else plain


def fits(document, path: str, method: str, answer) -> None:
    """Check an answer against what the document says about it."""
    response = document["paths"][f"/api/v1/{path}"][method]["responses"][str(answer.status_code)]
    schema = response["content"][answer["Content-Type"].split(";")[0]]["schema"]
    root = as_json_schema(schema) | {"components": as_json_schema(document["components"])}
    jsonschema.validate(answer.json(), root, format_checker=jsonschema.FormatChecker())


def test_the_document_is_generated_without_a_warning(db):
    errors = StringIO()
    call_command(
        "spectacular", validate=True, fail_on_warn=True, urlconf="shop.urls", stdout=StringIO(), stderr=errors
    )
    assert errors.getvalue() == ""


def test_every_address_is_in_the_document(document):
    unlisted = {"openapi.json", "docs", ""}
    names = {
        str(pattern.pattern)
        for resolver in get_resolver("shop.api.urls").url_patterns
        for pattern in [resolver]
    } - unlisted
    assert len(names) == len(document["paths"])


@pytest.mark.parametrize(
    ("path", "address"),
    [
        ("health", "health"),
        ("vehicles", "vehicles"),
        ("vehicles", "vehicles?page_size=1"),
        ("vehicles/{number}", "vehicles/K01"),
        ("units", "units"),
        ("units/{code}", "units/K01-TB6"),
        ("units/{code}/exchange-plan", "units/K01-TB6/exchange-plan"),
        ("units/{code}/jobs", "units/K01-TB6/jobs"),
        ("readings", "readings"),
        ("due-list", "due-list"),
        ("order-list", "order-list"),
        ("daily-runs", "daily-runs"),
        ("daily-runs/{depot}/{as_of}", "daily-runs/NORTH/2026-03-09"),
        ("vehicles/{number}", "vehicles/K00"),
        ("due-list", "due-list?state=never"),
    ],
)
def test_answers_fit_the_document(foreman, north, document, path, address):
    Hold.objects.create(vehicle=north.vehicle, kind="recall", reason="Hose", from_day="2026-03-01")
    fits(document, path, "get", foreman.get(f"/api/v1/{address}"))


def test_answers_to_what_is_sent_fit_the_document(foreman, document):
    reading = {
        "vehicle": "K01",
        "meter": "odometer",
        "read_at": "2026-03-09T06:30:00Z",
        "source": "driver",
        "value": 1_000_000,
    }
    mixed = foreman.post("/api/v1/readings", [reading, {}], format="json")
    fits(document, "readings", "post", mixed)
    fits(document, "readings", "post", foreman.post("/api/v1/readings", {}, format="json"))
    pk = mixed.json()["results"][0]["reading"]
    answered = foreman.post(f"/api/v1/readings/{pk}/answer", {"answer": "not a reading"}, format="json")
    fits(document, "readings/{id}/answer", "post", answered)
    fits(document, "units/{code}/jobs", "post", foreman.post("/api/v1/units/K01-TB6/jobs", {}, format="json"))
    job = {
        "method": "drain-and-refill", "done_on": "2026-03-09", "out_l": 3.6, "in_l": 3.6, "level_temp_c": 40,
        "leak_checked": True, "road_tested": True, "meter_text": "99900", "done_by": "T. One",
    }  # fmt: skip
    fits(
        document, "units/{code}/jobs", "post", foreman.post("/api/v1/units/K01-TB6/jobs", job, format="json")
    )


def test_only_health_and_token_are_open(document):
    is_open = {
        path
        for path, methods in document["paths"].items()
        for one in methods.values()
        if not one.get("security")
    }
    assert is_open == {"/api/v1/health", "/api/v1/token"}


def test_every_operation_names_its_refusals(document):
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            problems = {
                status
                for status, response in operation["responses"].items()
                if "application/problem+json" in response.get("content", {})
            }
            assert {"400", "405"} <= problems, (path, method)
            assert ("401" in problems) == (path != "/api/v1/health"), (path, method)
