"""`manage.py exchange`: JSON in, JSON out, precise refusals, no database for a typed card."""

import io
import json
import re
from pathlib import Path

import jsonschema
import pytest
from django.core.management import call_command

from tests.factories import FittingFactory, UnitFactory
from tests.shop.api.test_bench import JOB


@pytest.fixture
def exchange(monkeypatch):
    """Return a function that runs the command on a text and gives exit code, output and refusals."""

    def run(text: str, option: str = "--json") -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(text))
        out, err = io.StringIO(), io.StringIO()
        try:
            call_command("exchange", option, stdout=out, stderr=err, no_color=True)
        except SystemExit as left:
            return left.code, out.getvalue(), err.getvalue()
        return 0, out.getvalue(), err.getvalue()

    return run


def test_a_typed_card_is_answered_without_a_database(exchange):
    """Reference calculation of the eleven-litre box. This test may not touch a database."""
    code, out, err = exchange(json.dumps(JOB))
    assert (code, err) == (0, "")
    chosen = json.loads(out)["chosen"]
    assert chosen["new_fluid_l"] == pytest.approx(10.1)
    assert chosen["fresh_share"] == pytest.approx(0.773, abs=6e-4)


def places_of(err: str) -> dict[str, str]:
    return {one["pointer"]: one["detail"] for one in json.loads(err)["errors"]}


def test_every_refusal_is_json_with_its_place(exchange):
    request = '{"card": {"total_fill_l": NaN, "sump_l": -4}, "temperatures": {"shed_c": 1000}, "a/b": 1}'
    code, out, err = exchange(request)
    assert (code, out) == (2, "")
    places = places_of(err)
    assert set(places) == {"#/card/total_fill_l", "#/card/sump_l", "#/temperatures/shed_c", "#/a~1b"}
    assert places["#/card/total_fill_l"].startswith("Total fill is not a number")
    assert places["#/card/sump_l"] == "Sump is -4 L; it cannot be below zero."


@pytest.mark.parametrize("text", ["", "{", "[]", "7", "null"])
def test_what_is_no_request_is_refused(exchange, text):
    code, out, err = exchange(text)
    assert (code, out) == (2, "")
    assert list(places_of(err)) == ["#"]


def test_the_schema_printed_is_a_schema_and_takes_the_request(exchange):
    code, out, _ = exchange("", "--schema")
    assert code == 0
    schema = json.loads(out)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(JOB, schema)


def test_the_example_of_the_readme_runs(exchange):
    """By hand: two drains of 3.6 of 11.2 L leave (1 - 3.6/11.2)^2 old, not yet 60 % fresh; three reach 0.6875."""
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    request = re.search(r"^echo '(\{.*\})' \| .*manage\.py exchange --json$", readme, re.MULTILINE)[1]
    code, out, err = exchange(request)
    assert (code, err) == (0, "")
    rows = {row["title"]: row for row in json.loads(out)["plans"]}
    assert rows["repeated drain-and-refill"]["fresh_share"] == pytest.approx(0.6875, abs=5e-5)


@pytest.mark.django_db
def test_a_unit_on_record_is_looked_up_in_every_depot(exchange):
    unit = UnitFactory(code="K77-X")
    FittingFactory(unit=unit)
    code, _, err = exchange('{"unit": "K77-X"}')
    assert code == 2
    assert places_of(err) == {"#/card/total_fill_l": "The card gives no total fill; type it in first."}
    code, _, err = exchange('{"unit": "nowhere"}')
    assert code == 2
    assert places_of(err)["#/unit"].startswith("There is no unit “nowhere”")
