"""The bench: pick a unit or type a card, and see what each method would do. All state is in the address."""

from dataclasses import dataclass
from itertools import zip_longest
from typing import Any
from urllib.parse import urlencode

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe
from django.views.decorators.vary import vary_on_headers
from django_htmx.http import replace_url

from intervals.exchange.card import STOP_RULES
from intervals.exchange.methods import METHODS
from intervals.exchange.sequence import KINDS
from shop.selectors.access import depots_of, units_of
from shop.selectors.bench import Bench, bench_of
from shop.selectors.bench_fluid import products_offered
from shop.selectors.bench_request import CHOICES, FIGURES, BenchRefused, Choice, Figure, read_request
from shop.web.bench_level_pictures import pipe_picture, pour_picture, stick_picture
from shop.web.bench_pictures import LETTERS, drain_picture, sequence_picture, share_picture, sump_picture

UNITS_OFFERED = 500
SECTIONS = (
    ("Unit card", ("card",)),
    ("Temperatures", ("temperatures",)),
    ("Measured today", ("measures",)),
    ("Rates", ("rates",)),
    ("Fluid", ("fluid",)),
)
MARKED_TYPICAL = ("temperatures", "measures", "rates")


@dataclass(frozen=True, slots=True)
class BenchField:
    """One field of the form with what was typed, what stands in when nothing is, and what is wrong with it."""

    name: str
    label: str
    value: str
    stands_in: str
    error: str
    options: tuple[str, ...] = ()


@require_safe
@login_required
@vary_on_headers("HX-Request")
def bench(request: HttpRequest) -> HttpResponse:
    """Show the bench; with script running a change brings only the answer. 422 when a figure cannot be used."""
    kept = [
        (name, value.strip())
        for name, values in request.GET.lists()
        for value in (values if name == "allow" else values[-1:])
        if value.strip() and name in _NAMES
    ]
    answer, errors = None, {}
    if kept:
        try:
            asked = read_request(_nested(request.GET))
            answer = bench_of(asked, request.user)
        except BenchRefused as error:
            errors = {_name_of(path, request.GET): sentence for path, sentence in error.places}
    depot = depots_of(request.user).first()
    context: dict[str, Any] = {
        "answer": answer,
        "errors": [(name if name in _NAMES else "", sentence) for name, sentence in errors.items()],
        "depot": depot,
        "currency": depot.currency if depot is not None else "",
        "typed_rates": [name for name, _ in kept if name in FIGURES and FIGURES[name].group == "rates"],
    }
    if answer is not None:
        context |= _shown(answer, asked.temperatures.reading_c)
    status = 422 if errors else 200
    if request.htmx and not request.htmx.history_restore_request:
        response = render(request, "shop/_bench_answer.html", context, status=status)
        return replace_url(response, reverse("bench") + (f"?{urlencode(kept)}" if kept else ""))
    context |= _form(request, answer, errors)
    return render(request, "shop/bench.html", context, status=status)


def _form(request: HttpRequest, answer: Bench | None, errors: dict[str, str]) -> dict[str, Any]:
    """Return the form as it was sent, with what stands in for empty fields and what is wrong."""
    query = request.GET
    on_record = answer.subject.on_record if answer is not None else {}
    on_card = answer.subject.methods if answer is not None else ()
    allowed = query.getlist("allow")
    sections = []
    for title, groups in SECTIONS:
        made = [_field(one, query, errors, on_record) for group in groups for one in _of_group(group)]
        is_open = any(one.error for one in made) or (title == "Unit card" and not query.get("unit"))
        sections.append((title, made, sum(bool(one.value) for one in made), is_open))
    steps = [_step_row(number, query, errors) for number in range(1, STEP_ROWS + 1)]
    return {
        "top": [_field(one, query, errors, on_record) for one in _of_group("")],
        "sections": sections,
        "methods_offered": [(name, name in allowed, name in on_card) for name in METHODS],
        "are_methods_chosen": bool(allowed),
        "allowed_error": errors.get("allow", ""),
        "steps": steps,
        "has_steps": any(field.value for row in steps for field in row),
        "unit": query.get("unit", ""),
        "product": query.get("product", ""),
        "unit_error": errors.get("unit", ""),
        "product_error": errors.get("product", ""),
        "is_night_taken": bool(query.get("night_taken")),
        "units": units_of(request.user).order_by("code").values_list("code", flat=True)[:UNITS_OFFERED],
        "products": products_offered(UNITS_OFFERED),
    }


STEP_ROWS = 8
_STEP_NAMES = {f"step_{n}_{name}" for n in range(1, STEP_ROWS + 1) for name in ("kind", "litres", "stage_l")}
_NAMES = {"unit", "product", "night_taken", "allow", *FIGURES, *CHOICES, *_STEP_NAMES}


def _name_of(path: tuple[str, ...], query: QueryDict) -> str:
    """Return the form's name of a member of the request."""
    if path[:1] == ("allowed_methods",):
        return "allow"
    if path[:1] == ("steps",) and len(path) > 2:
        return f"step_{list(_steps(query))[int(path[1])]}_{path[2]}"
    return path[-1] if path else ""


def _steps(query: QueryDict) -> dict[int, dict[str, Any]]:
    """Return the steps typed by the number of their row; empty rows are left out."""
    rows = {}
    for number in range(1, STEP_ROWS + 1):
        typed = {name: query.get(f"step_{number}_{name}", "").strip() for name in ("litres", "stage_l")}
        kind = query.get(f"step_{number}_kind", "").strip()
        if kind or any(typed.values()):
            rows[number] = {"kind": kind, **{name: _number(value) for name, value in typed.items() if value}}
    return rows


def _step_row(number: int, query: QueryDict, errors: dict[str, str]) -> list[BenchField]:
    def field(name: str, words: str, stands_in: str = "", options: tuple[str, ...] = ()) -> BenchField:
        key = f"step_{number}_{name}"
        return BenchField(key, words, query.get(key, ""), stands_in, errors.get(key, ""), options)

    return [
        field("kind", f"Step {number}", options=KINDS),
        field("litres", f"Litres of step {number}", "L"),
        field("stage_l", f"Litres a stage, step {number}", "a stage"),
    ]


def _nested(query: QueryDict) -> dict[str, Any]:
    """Return the request the address holds, in the shape the API takes."""
    data: dict[str, Any] = {}
    for one in (*FIGURES.values(), *CHOICES.values()):
        text = query.get(one.name, "").strip()
        if not text:
            continue
        place = data.setdefault(one.group, {}) if one.group else data
        place[one.name] = _number(text) if isinstance(one, Figure) else text
    for name in ("unit", "product"):
        if code := query.get(name, "").strip():
            data[name] = code
    if allowed := query.getlist("allow"):
        data["allowed_methods"] = allowed
    if steps := _steps(query):
        data["steps"] = list(steps.values())
    if query.get("night_taken"):
        data["night_is_free"] = False
    return data


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _of_group(group: str) -> list[Figure | Choice]:
    return [one for one in (*CHOICES.values(), *FIGURES.values()) if one.group == group]


def _field(
    one: Figure | Choice, query: QueryDict, errors: dict[str, str], on_record: dict[str, float]
) -> BenchField:
    value, error = query.get(one.name, ""), errors.get(one.name, "")
    if isinstance(one, Choice):
        return BenchField(one.name, one.words, value, "", error, one.allowed)
    stands_in = ""
    if one.name in on_record:
        stands_in = f"{on_record[one.name]:g} on the card"
    elif one.default is not None:
        stands_in = f"{one.default:g} typical"
    return BenchField(
        one.name, f"{one.words}, {one.unit}" if one.unit else one.words, value, stands_in, error
    )


def _shown(answer: Bench, reading_c: float | None) -> dict[str, Any]:
    """Return the pictures, and the methods with their letters and the bars of their cost."""
    letters = {curve.title: LETTERS[place] for place, curve in enumerate(answer.curves)}
    is_pipe = answer.subject.level_by == "standpipe"
    ranges = {one.title: one for one in answer.ranges.methods}
    dearest = max((plan.cost_per_1000_km or 0.0 for plan in answer.plans.plans), default=0.0)
    return {
        "share_picture": share_picture(answer),
        "drain_picture": drain_picture(answer.drain),
        "sump_picture": sump_picture(answer.stages),
        "stick_picture": stick_picture(answer.stick),
        "pipe_picture": pipe_picture(answer.stick, reading_c) if is_pipe else None,
        "pour_picture": pour_picture(answer.pour),
        "methods": [
            (
                plan,
                letters.get(plan.title, ""),
                ranges.get(plan.title),
                round(100.0 * (plan.cost_per_1000_km or 0.0) / dearest, 1) if dearest else 0.0,
            )
            for plan in answer.plans.plans
        ],
        "curve_rows": [
            list(
                zip(
                    curve.band.litres,
                    curve.band.least,
                    curve.band.low,
                    curve.band.best,
                    curve.band.most,
                    strict=True,
                )
            )[:: max(1, len(curve.band.litres) // 12)]
            for curve in answer.curves
            if curve.is_chosen
        ],
        "drain_rows": list(zip(answer.drain.minutes, answer.drain.litres, strict=True)),
        "stick_rows": list(
            zip_longest(answer.stick.temps_c, answer.stick.offsets_mm, answer.stick.growths_ml)
        ),
        "pipe_rows": list(zip(answer.stick.pipe_temps_c, answer.stick.pipe_errors_ml, strict=True))
        if is_pipe
        else [],
        "sequence_picture": sequence_picture(answer.sequence.run),
        "is_price_typical": not answer.subject.packs,
        "stop_rules": STOP_RULES if answer.stages.steps else (),
    }
