"""Figures that cannot be: one clear sentence each, the same by page, endpoint and command."""

import html
import io
import json
from urllib.parse import urlencode

import pytest
from django.core.management import call_command

BOX = {"total_fill_l": 8, "quick_drain_l": 3}
CASES = {
    "sump larger than the total": ({"card": BOX | {"sump_l": 9}}, "#/card", "Sump of 9 L is more than total"),
    "pickup above the sump": (
        {"card": BOX | {"sump_l": 4, "pickup_l": 5}}, "#/card", "Pickup of 5 L is more than sump of 4 L.",
    ),
    "drain above the total": ({"card": {"total_fill_l": 8, "quick_drain_l": 9}}, "#/card", "Quick drain of 9 L"),
    "negative litres": ({"card": BOX | {"sump_l": -4}}, "#/card/sump_l", "Sump is -4 L; it cannot be below zero."),
    "no litres": ({"card": BOX | {"total_fill_l": 0}}, "#/card/total_fill_l", "Total fill: 0 L is outside 0.1"),
    "too many litres": ({"card": BOX | {"total_fill_l": 5e5}}, "#/card/total_fill_l", "is outside 0.1 to 500 L"),
    "a thousand degrees": (
        {"card": BOX, "temperatures": {"drain_start_c": 1000}}, "#/temperatures/drain_start_c",
        "Fluid when the plug comes out: 1000 °C is outside -40 to 150 °C",
    ),
    "text": ({"card": BOX, "temperatures": {"shed_c": "mild"}}, "#/temperatures/shed_c", "Shed is not a number"),
    "not a number": ({"card": BOX | {"sump_l": "nan"}}, "#/card/sump_l", "Sump is not a number"),
    "infinity": ({"card": BOX | {"sump_l": "inf"}}, "#/card/sump_l", "Sump is not a number"),
    "an unknown method": ({"card": BOX, "method": "rinse"}, "#/method", "Method “rinse” is not known"),
    "an unknown fluid": ({"card": BOX, "product": "F99"}, "#/product", "There is no fluid “F99” on record"),
    "an unknown unit": ({"unit": "nowhere"}, "#/unit", "There is no unit “nowhere” in your depots."),
    "a share above one": ({"card": BOX, "target_share": 85}, "#/target_share", "85 is outside 0.01 to 0.99"),
    "a step with no litres": (
        {"card": BOX, "steps": [{"kind": "cooler-line exchange"}]}, "#/steps/0/litres", "say how many litres",
    ),
    "a negative step": (
        {"card": BOX, "steps": [{"kind": "pour", "litres": -2}]}, "#/steps/0/litres", "Litres of a step lie above zero",
    ),
    "target and litres": (
        {"card": BOX, "target_share": 0.7, "new_fluid_l": 3}, "#/new_fluid_l", "Give a target share or litres to try",
    ),
    "no total fill": ({"card": {"quick_drain_l": 3}}, "#", "Name a unit, or give a card with at least its total fill."),
}  # fmt: skip
each_case = pytest.mark.parametrize(("asked", "pointer", "sentence"), CASES.values(), ids=CASES)


def address_of(asked: dict) -> str:
    """Write a request as the address of the page, as its form would send it."""
    flat = {}
    for name, value in asked.items():
        if name == "steps":
            flat |= {
                f"step_{n}_{inner}": one for n, step in enumerate(value, 1) for inner, one in step.items()
            }
        else:
            flat |= value if isinstance(value, dict) else {name: value}
    return f"/bench?{urlencode(flat)}"


@each_case
def test_the_page_says_one_sentence_beside_the_figure(foreman, asked, pointer, sentence):
    answer = foreman.get(address_of(asked))
    page = html.unescape(answer.content.decode())
    assert answer.status_code == 422
    alert = page.split('role="alert"')[1].split("</div>")[0]
    assert alert.count("<li>") == 1
    assert sentence in alert
    place = pointer.rsplit("/", 1)[-1] if pointer not in ("#", "#/card") else ""
    if place:
        name = "step_1_litres" if "steps" in pointer else place
        assert sentence in page.split(f'id="wrong_{name}"')[1].split("</p>")[0]


@each_case
def test_the_endpoint_says_one_sentence_with_its_place(foreman, asked, pointer, sentence):
    answer = foreman.post("/api/v1/bench", asked, content_type="application/json")
    assert answer.status_code == 422
    (told,) = answer.json()["errors"]
    assert (told["pointer"], sentence in told["detail"]) == (pointer, True)


@pytest.mark.django_db
@each_case
def test_the_command_says_one_sentence_with_its_place(monkeypatch, asked, pointer, sentence):
    code, out, told = run(monkeypatch, json.dumps(asked))
    assert (code, out) == (2, "")
    (only,) = json.loads(told)["errors"]
    assert (only["pointer"], sentence in only["detail"]) == (pointer, True)


@pytest.mark.parametrize(
    "figure", ["NaN", "Infinity", "-Infinity", "1e999", "1" + "0" * 400, "true", '"4"', "[4]"]
)
def test_numbers_json_itself_should_not_hold_are_no_numbers(monkeypatch, figure):
    code, _, told = run(monkeypatch, f'{{"card": {{"total_fill_l": 8, "sump_l": {figure}}}}}')
    assert code == 2
    (only,) = json.loads(told)["errors"]
    assert only == {
        "pointer": "#/card/sump_l",
        "detail": "Sump is not a number; leave it out when it is not known.",
    }


def test_a_request_nested_without_end_is_refused(monkeypatch):
    code, out, told = run(monkeypatch, "[" * 200_000)
    assert (code, out) == (2, "")
    assert json.loads(told)["errors"][0]["pointer"] == "#"


def run(monkeypatch, text: str) -> tuple[int, str, str]:
    """Run the command on a text; return exit code, output and refusals."""
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("exchange", "--json", stdout=out, stderr=err, no_color=True)
    except SystemExit as left:
        return left.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()
