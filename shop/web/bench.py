"""The bench: pick a unit or type a card, and see what each method would do. All state is in the address."""

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe
from django.views.decorators.vary import vary_on_headers
from django_htmx.http import push_url

from intervals.exchange.card import STOP_RULES
from shop.selectors.access import depots_of, units_of
from shop.selectors.bench import Bench, bench_of
from shop.selectors.bench_request import CHOICES, FIGURES, BenchRefused, Choice, Figure, read_request
from shop.web.bench_pictures import (
    LETTERS,
    drain_picture,
    pour_picture,
    share_picture,
    stick_picture,
    sump_picture,
)

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
    kept = [(name, value.strip()) for name, value in request.GET.items() if value.strip() and name in _NAMES]
    answer, errors = None, {}
    if kept:
        try:
            answer = bench_of(read_request(_nested(request.GET)), request.user)
        except BenchRefused as error:
            errors = {path[-1] if path else "": sentence for path, sentence in error.places}
    depot = depots_of(request.user).first()
    context: dict[str, Any] = {
        "answer": answer,
        "errors": [(name if name in _NAMES else "", sentence) for name, sentence in errors.items()],
        "depot": depot,
        "currency": depot.currency if depot is not None else "",
        "typed_rates": [name for name, _ in kept if name in FIGURES and FIGURES[name].group == "rates"],
    }
    if answer is not None:
        context |= _shown(answer)
    status = 422 if errors else 200
    if request.htmx and not request.htmx.history_restore_request:
        response = render(request, "shop/_bench_answer.html", context, status=status)
        return push_url(response, reverse("bench") + (f"?{urlencode(kept)}" if kept else ""))
    on_record = answer.subject.on_record if answer is not None else {}
    context["top"] = [_field(one, request.GET, errors, on_record) for one in _of_group("")]
    context["sections"] = [
        (title, [_field(one, request.GET, errors, on_record) for group in groups for one in _of_group(group)])
        for title, groups in SECTIONS
    ]
    context["unit"] = request.GET.get("unit", "")
    context["is_night_taken"] = bool(request.GET.get("night_taken"))
    context["units"] = units_of(request.user).order_by("code").values_list("code", flat=True)[:UNITS_OFFERED]
    return render(request, "shop/bench.html", context, status=status)


_NAMES = {"unit", "night_taken", *FIGURES, *CHOICES}


def _nested(query: QueryDict) -> dict[str, Any]:
    """Return the request the address holds, in the shape the API takes."""
    data: dict[str, Any] = {}
    for one in (*FIGURES.values(), *CHOICES.values()):
        text = query.get(one.name, "").strip()
        if not text:
            continue
        place = data.setdefault(one.group, {}) if one.group else data
        place[one.name] = _number(text) if isinstance(one, Figure) else text
    if unit := query.get("unit", "").strip():
        data["unit"] = unit
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


def _shown(answer: Bench) -> dict[str, Any]:
    """Return the pictures, and the methods with their letters and the bars of their cost."""
    letters = {curve.title: LETTERS[place] for place, curve in enumerate(answer.curves)}
    dearest = max((plan.cost_per_1000_km or 0.0 for plan in answer.plans.plans), default=0.0)
    return {
        "share_picture": share_picture(answer),
        "drain_picture": drain_picture(answer.drain),
        "sump_picture": sump_picture(answer.stages),
        "stick_picture": stick_picture(answer.stick),
        "pour_picture": pour_picture(answer.pour),
        "methods": [
            (
                plan,
                letters.get(plan.title, ""),
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
            zip(answer.stick.temps_c, answer.stick.offsets_mm, answer.stick.growths_ml, strict=True)
        ),
        "stop_rules": STOP_RULES if answer.stages.steps else (),
    }
