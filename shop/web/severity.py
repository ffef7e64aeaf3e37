"""How hard a unit's duty is: what counts now, the split of its run, factors and temperature hours."""

import datetime
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from intervals.duty import FACTORS
from intervals.measured_duty import NOTHING
from shop.errors import ApplicationError
from shop.selectors.severity_open import measured_units
from shop.selectors.severity_page import SeverityPage, factors_of, severity_page
from shop.services.severity import (
    LEAST_FACTOR,
    MOST_FACTOR,
    FactorReport,
    factor_add,
    factor_end,
    measured_use,
    temperature_hours_record,
)
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm, amount_field, day_field
from shop.web.units import NO_SUCH_UNIT

REFUSAL = "Your role may not change how hard a unit's duty is. The foreman can."
OTHER = "other"
WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 640.0, 150.0, 40.0, 10.0, 12.0, 24.0
SHOWN_DAYS = 730
MONTH_HELP = "One line for each temperature: °C, then hours, e.g. 86 112.5"


class FactorForm(PlainForm):
    """One more reason, picked from the published conditions or in one's own words."""

    condition = forms.ChoiceField(label="What is true of its use")
    reason = forms.CharField(
        label="In other words", max_length=80, required=False, help_text="Needed only for “something else”."
    )
    factor = amount_field("Factor", "×", LEAST_FACTOR, MOST_FACTOR)
    applies_from = day_field("Counts from")
    source = forms.CharField(
        label="Who says so",
        max_length=200,
        help_text="The maker's severe schedule, or who saw what and when.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["condition"].choices = [
            *(
                (own.key, f"{own.when}{'' if own.value is None else f', usually ×{own.value:g}'}")
                for own in FACTORS
            ),
            (OTHER, "something else"),
        ]
        self.fields["factor"].help_text = "Empty: the usual one of the condition."

    def clean(self) -> dict[str, Any]:
        """Take the usual factor of a published condition where none was typed."""
        typed = super().clean() or self.cleaned_data
        published = {own.key: own for own in FACTORS}.get(typed.get("condition", ""))
        if published is not None and typed.get("factor") is None and "factor" not in self.errors:
            if published.value is None:
                self.add_error(
                    "factor", "No figure is published for this one; type the maker's or the house's."
                )
            typed["factor"] = published.value
        if published is None and "factor" not in self.errors and typed.get("factor") is None:
            self.add_error("factor", "Type the factor.")
        if published is None and not typed.get("reason", "").strip():
            self.add_error("reason", "Say what makes the use harder or easier.")
        return typed

    def report(self) -> FactorReport:
        """Return what was typed."""
        typed = self.cleaned_data
        reason = typed["reason"].strip() or typed["condition"]
        return FactorReport(reason, typed["factor"], typed["source"], typed["applies_from"])


class HoursForm(PlainForm):
    """A month of running hours by fluid temperature."""

    month = forms.DateField(
        label="Month",
        input_formats=["%Y-%m"],
        widget=forms.TextInput(
            attrs={"placeholder": "2026-02", "autocomplete": "off", "inputmode": "numeric"}
        ),
        error_messages={"invalid": "Write the month as year-month, e.g. 2026-02."},
    )
    hours = forms.CharField(
        label="Hours at each temperature", widget=forms.Textarea(attrs={"rows": 5}), help_text=MONTH_HELP
    )
    unseen_h = amount_field("Hours the sensor did not see", "h", 0, 744)

    def clean_hours(self) -> dict[float, float]:
        """Return °C → h."""
        found: dict[float, float] = {}
        for number, line in enumerate(self.cleaned_data["hours"].splitlines(), start=1):
            parts = line.replace(":", " ").replace(",", ".").split()
            if not parts:
                continue
            try:
                temp, hours = (float(part) for part in parts)
            except ValueError:
                raise forms.ValidationError(
                    f"Line {number}, “{line.strip()[:40]}”, is not a temperature and hours. {MONTH_HELP}."
                ) from None
            if temp in found:
                raise forms.ValidationError(
                    f"Line {number}: {temp:g} °C stands there twice. Add its hours up."
                )
            found[temp] = hours
        return found


@dataclass(frozen=True, slots=True)
class Stair:
    """The severity over time as a stair, with its marks."""

    path: str
    marks: list[tuple[float, float, str]]
    days: list[tuple[float, str]]
    ordinary_y: float
    width: float
    height: float
    floor: float


@require_safe
@login_required
def measured_list(request: HttpRequest) -> HttpResponse:
    """Show the units whose severity is measured, those that wait for a person first."""
    rows = measured_units(request.user)
    context = {
        "open": [row for row in rows if row.is_open],
        "others": [row for row in rows if not row.is_open],
    }
    return render(request, "shop/severity_open.html", context)


@require_http_methods(["GET", "POST"])
@login_required
def unit_severity(request: HttpRequest, code: str) -> HttpResponse:
    """Show a unit's severity and take one more factor."""
    page = _page_of(request, code)
    if request.method == "POST":
        return _add(request, page)
    return _render(request, page)


@for_those_who("change unit data", refusal=REFUSAL)
def _add(request: HttpRequest, page: SeverityPage) -> HttpResponse:
    form = FactorForm(request.POST)
    if form.is_valid():
        try:
            done = factor_add(request.user, page.unit, form.report())
        except ApplicationError as error:
            form.take_errors(_on_field(error))
        else:
            messages.success(
                request, f"{done.reason.capitalize()} ×{done.factor:g} counts from {done.applies_from}."
            )
            return redirect("unit_severity", code=page.unit.code)
    return _render(request, page, form=form)


@require_POST
@for_those_who("change unit data", refusal=REFUSAL)
def hours(request: HttpRequest, code: str) -> HttpResponse:
    """Take a month of temperature hours."""
    page = _page_of(request, code)
    form = HoursForm(request.POST)
    if form.is_valid():
        typed = form.cleaned_data
        try:
            temperature_hours_record(
                request.user, page.unit, typed["month"], typed["hours"], typed["unseen_h"]
            )
        except ApplicationError as error:
            form.take_errors(_on_field(error))
        else:
            messages.success(request, f"The hours of {typed['month']:%Y-%m} are kept.")
            return redirect("unit_severity", code=code)
    return _render(request, page, hours_form=form)


@require_POST
@for_those_who("change unit data", refusal=REFUSAL)
def measured(request: HttpRequest, code: str) -> HttpResponse:
    """Take up what the temperature hours propose."""
    page = _page_of(request, code)
    try:
        done = measured_use(request.user, page.unit)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        told = f"counts from {done.applies_from}" if done.ends_on is None else f"ends on {done.ends_on}"
        messages.success(request, f"The measured severity ×{done.factor:g} {told}.")
    return redirect("unit_severity", code=code)


@require_POST
@for_those_who("change unit data", refusal=REFUSAL)
def factor_ended(request: HttpRequest, pk: int) -> HttpResponse:
    """End one factor on a day."""
    factor = factors_of(request.user).filter(pk=pk).first()
    if factor is None:
        raise Http404("There is no such factor in your depots. Open the unit's page again.")
    try:
        ends_on = datetime.date.fromisoformat(request.POST.get("ends_on", ""))
        done = factor_end(request.user, factor, ends_on)
    except ValueError:
        messages.error(request, "Write the first day it no longer counts, e.g. 2026-03-02.")
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, f"{done.reason.capitalize()} no longer counts from {done.ends_on}.")
    return redirect("unit_severity", code=factor.unit.code)


def _page_of(request: HttpRequest, code: str) -> SeverityPage:
    page = severity_page(request.user, code)
    if page is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    return page


def _on_field(error: ApplicationError) -> ApplicationError:
    """Put sentences about hours beside the field they were typed in."""
    if "hours_at" in error.fields:
        error.fields["hours"] = error.fields.pop("hours_at")
    return error


def _render(
    request: HttpRequest,
    page: SeverityPage,
    *,
    form: FactorForm | None = None,
    hours_form: HoursForm | None = None,
) -> HttpResponse:
    has_errors = form is not None or hours_form is not None
    context = {
        "page": page,
        "form": form or FactorForm(initial={"applies_from": page.today}),
        "hours_form": hours_form or HoursForm(),
        "stair": stair_of(page),
        "can_use": page.proposal.action != NOTHING,
    }
    return render(request, "shop/severity.html", context, status=422 if has_errors else 200)


def stair_of(page: SeverityPage) -> Stair:
    """Draw the severity of the last two years as a stair."""
    first = page.today - datetime.timedelta(days=SHOWN_DAYS)
    steps = [(max(step.begins, first), step.value) for step in page.steps if step.begins <= page.today]
    begun = [step for step in steps if step[0] > first]
    steps = [(first, [value for day, value in steps if day == first][-1]), *begun]
    top = max(1.5, *(value for _, value in steps)) * 1.1
    floor = HEIGHT - FOOT

    def x(day: datetime.date) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (day - first).days / SHOWN_DAYS, 1)

    def y(value: float) -> float:
        return round(floor - (floor - TOP) * value / top, 1)

    path = f"M{x(first)} {y(steps[0][1])}"
    for day, value in steps[1:]:
        path += f"H{x(day)}V{y(value)}"
    marks = [(x(day) + 4, y(value) - 5, f"×{value:.4g}") for day, value in steps]
    days = [(x(day), f"{day:%b %Y}") for day, _ in [(first, 0), (page.today, 0)]]
    return Stair(path + f"H{WIDTH - RIGHT}", marks, days, y(1.0), WIDTH, HEIGHT, floor)
