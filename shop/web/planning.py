"""Planning pages: a rule tried out over a year, and the queue of units of unknown history. Nothing is stored."""

from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from intervals.rules import POLICIES
from shop.errors import InputError
from shop.selectors.catch_up import CatchUp, catch_up
from shop.selectors.what_if import RANGES, RuleAsked, WhatIf, models_to_ask, what_if
from shop.web.csv_file import csv_response
from shop.web.plain_form import PlainForm, amount_field

WIDTH, HEIGHT, LEFT, FOOT, TOP = 720.0, 220.0, 34.0, 22.0, 14.0
MOST_A_WEEK = 1000.0
CSV_HEADER = [
    "place", "week", "week_from", "vehicle", "depot", "unit", "unit_model", "kind", "run_km", "run_h", "hours_are",
    "intervals_run",
]  # fmt: skip
PER_CENT = ("opens_share", "closes_share", "assumed_freshness_share", "cap_share")


def _figure(label: str, unit: str, name: str) -> forms.FloatField:
    low, high = RANGES[name]
    scale = 100.0 if name in PER_CENT else 1.0
    return amount_field(label, unit, round(low * scale, 6), round(high * scale, 6))


class WhatIfForm(PlainForm):
    """Which unit model, and the figures to try; an empty field leaves the figure as it is."""

    unit_model = forms.ChoiceField(label="Unit model")
    interval_km = _figure("Interval", "km", "interval_km")
    interval_h = _figure("Interval", "h", "interval_h")
    interval_months = forms.IntegerField(
        label="Interval, months",
        required=False,
        min_value=0,
        max_value=240,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "class": "figure"}),
    )
    opens_share = _figure("Window opens before", "%", "opens_share")
    closes_share = _figure("Late beyond", "%", "closes_share")
    assumed_freshness_share = _figure("Assumed freshness", "%", "assumed_freshness_share")
    cap_share = _figure("Cap", "% of the interval", "cap_share")
    policy = forms.ChoiceField(
        label="Policy", required=False, choices=[("", "as it is"), *((own, own) for own in POLICIES)]
    )
    severity_factor = _figure("Severity factor", "×", "severity_factor")

    def asked(self) -> RuleAsked:
        """Return what was typed, per cent as shares."""
        typed = {name: value for name, value in self.cleaned_data.items() if name != "unit_model"}
        shares = {name: typed[name] / 100.0 for name in PER_CENT if typed[name] is not None}
        return RuleAsked(**(typed | shares | {"policy": typed["policy"] or None}))

    def show_rule(self, found: WhatIf) -> None:
        """Stand the figures of the rule in the empty fields, where the units have one rule for all."""
        for name in RANGES if len(found.rules) == 1 else ():
            value = getattr(found.rules[0], name, None)
            if value is not None:
                shown = value * 100.0 if name in PER_CENT else value
                self.fields[name].widget.attrs["placeholder"] = f"{shown:.10g}"


class CapacityForm(PlainForm):
    """How many jobs a week can be done; empty: what the records say."""

    capacity = amount_field("Can be done in all", "jobs a week", 0, MOST_A_WEEK)


@dataclass(frozen=True, slots=True)
class Bar:
    """One upright bar."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class MonthBars:
    """The bars of one month, before and after, and where its name stands."""

    name: str
    middle: float
    before: Bar
    after: Bar
    jobs_before: int
    jobs_after: int


@require_safe
@login_required
def rule_tried(request: HttpRequest) -> HttpResponse:
    """Show a year of one unit model's services before and after a change of its rule."""
    models = models_to_ask(request.user)
    data = request.GET.copy()
    if models and not data.get("unit_model"):
        data["unit_model"] = models[0].code
    form = WhatIfForm(data)
    form.fields["unit_model"].choices = [(own.code, f"{own.code}, {own.name}") for own in models]
    found: WhatIf | None = None
    if models and form.is_valid():
        try:
            found = what_if(request.user, form.cleaned_data["unit_model"], form.asked())
        except InputError as error:
            form.take_errors(error)
    if found is not None:
        form.show_rule(found)
    context = {"form": form, "models": models, "found": found, **(_picture(found) if found else {})}
    return render(request, "shop/what_if.html", context)


def _picture(found: WhatIf) -> dict[str, Any]:
    """Place two bars a month on one scale of jobs."""
    most = max((max(own.before.jobs, own.after.jobs) for own in found.months), default=0) or 1
    room = HEIGHT - TOP - FOOT
    step = (WIDTH - LEFT) / len(found.months)
    wide = round(step * 0.38, 2)

    def bar(x: float, jobs: int) -> Bar:
        high = round(room * jobs / most, 2)
        return Bar(round(x, 2), round(TOP + room - high, 2), wide, high)

    bars = []
    for place, month in enumerate(found.months):
        x = LEFT + place * step + step * 0.1
        bars.append(
            MonthBars(
                f"{month.begins_on:%b}",
                round(x + wide, 2),
                bar(x, month.before.jobs),
                bar(x + wide + 1.0, month.after.jobs),
                month.before.jobs,
                month.after.jobs,
            )
        )
    floor = TOP + room
    return {
        "bars": bars,
        "floor": floor,
        "names": floor + 15.0,
        "width": WIDTH,
        "height": HEIGHT,
        "most": most,
    }


@require_safe
@login_required
def queue(request: HttpRequest) -> HttpResponse:
    """Show the units of unknown history by week."""
    form, found = _queue(request)
    return render(request, "shop/catch_up.html", {"form": form, "found": found})


@require_safe
@login_required
def queue_csv(request: HttpRequest) -> HttpResponse:
    """Send the queue as a CSV file."""
    _, found = _queue(request)
    rows = (
        [
            place, own.week, own.week_from, own.line.vehicle.number, own.line.vehicle.depot.code, own.line.unit.code,
            own.line.unit.unit_model.code, own.line.unit.unit_model.kind, own.run_km, own.run_h,
            "guessed from distance" if own.is_h_guessed else "", own.intervals_run,
        ]
        for place, own in enumerate(found.units, start=1)
    )  # fmt: skip
    return csv_response("catch-up.csv", CSV_HEADER, rows)


def _queue(request: HttpRequest) -> tuple[CapacityForm, CatchUp]:
    form = CapacityForm(request.GET)
    form.is_valid()
    return form, catch_up(request.user, form.cleaned_data.get("capacity"))
