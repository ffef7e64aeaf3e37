"""Recalls and bulletins: the list, entering one, closing it vehicle by vehicle."""

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from shop.errors import ApplicationError
from shop.selectors.recall_views import recall_views
from shop.selectors.recalls import recall_kinds, recall_open_on
from shop.services.recalls import ClosingReport, RecallReport, recall_close, recall_enter
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm, day_field

ENTER_REFUSAL = "Your role may not enter recalls. The fleet, the stores and the foreman can."
CLOSE_REFUSAL = "Your role may not close recalls. A technician, the fleet, the stores and the foreman can."
LIST_HELP = "By comma."
MOST_SHOWN = 100
"""Vehicles of one recall shown at once, open and closed each."""


def _list_field(label: str, help_text: str) -> forms.CharField:
    return forms.CharField(
        label=label,
        required=False,
        max_length=4000,
        help_text=help_text,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


def _parts(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(part.strip() for part in text.replace(";", ",").split(",") if part.strip()))


class RecallForm(PlainForm):
    """A notice as it came in."""

    code = forms.CharField(label="Number on the notice", max_length=24)
    title = forms.CharField(label="What it is about", max_length=120)
    kind = forms.ChoiceField(label="What it asks", choices=recall_kinds)
    unit_models = _list_field(
        "Unit models", f"{LIST_HELP} Every unit of these, or only on the vehicles named."
    )
    vehicles = _list_field("Vehicles", f"{LIST_HELP} Empty: every vehicle that carries such a unit.")
    from_day = day_field("Counts from")
    changes_from = day_field("New figures apply from", is_needed=False)
    source = forms.CharField(label="Who issued it, where it can be read", max_length=120)
    text = forms.CharField(
        label="In its words", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 4})
    )

    def report(self) -> RecallReport:
        """Return what was typed."""
        typed = dict(self.cleaned_data)
        for name in ("unit_models", "vehicles"):
            typed[name] = _parts(typed[name])
        return RecallReport(**typed)


class ClosingForm(PlainForm):
    """How a recall was closed on a vehicle."""

    closed_on = day_field("Closed on")
    closed_by = forms.CharField(label="By", max_length=150)
    how = forms.CharField(label="How", max_length=200)


@require_http_methods(["GET", "POST"])
@login_required
def recalls(request: HttpRequest) -> HttpResponse:
    """Show the recalls and take a new one."""
    if request.method == "POST":
        return _enter(request)
    return _page(request, RecallForm())


@for_those_who("plan", refusal=ENTER_REFUSAL)
def _enter(request: HttpRequest) -> HttpResponse:
    form = RecallForm(request.POST)
    if form.is_valid():
        try:
            done = recall_enter(request.user, form.report())
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(
                request, f"{done.code} is on record; what it holds back is held from {done.from_day}."
            )
            return redirect("recalls")
    return _page(request, form)


@require_POST
@for_those_who("plan", "close", refusal=CLOSE_REFUSAL)
def closed(request: HttpRequest, code: str, number: str) -> HttpResponse:
    """Close a recall on one vehicle."""
    found = recall_open_on(request.user, code, number)
    if found is None:
        raise Http404(f"There is no recall {code} on a vehicle {number} in your depots. Open the list again.")
    form = ClosingForm(request.POST)
    if not form.is_valid():
        wrong = "; ".join(
            f"{form[name].label.lower()}: {' '.join(texts)}" for name, texts in form.errors.items()
        )
        messages.error(request, f"Not closed. {wrong}")
        return redirect("recalls")
    try:
        done = recall_close(request.user, *found, ClosingReport(**form.cleaned_data))
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, f"{done.recall.code} is closed on {done.vehicle.number}.")
    return redirect("recalls")


def _page(request: HttpRequest, form: RecallForm) -> HttpResponse:
    number = request.GET.get("vehicle", "").replace("\x00", "").strip()[:24]
    views = recall_views(request.user, MOST_SHOWN, number)
    context: dict[str, Any] = {
        "views": views,
        "number": number,
        "is_cut": any(view.is_cut for view in views),
        "form": form,
        "can_close": request.user.can("plan") or request.user.can("close"),
    }
    return render(request, "shop/recalls.html", context, status=422 if form.errors else 200)
