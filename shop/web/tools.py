"""Measuring tools: trays, jugs, scales and sticks of the depots a person sees."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from shop.errors import ApplicationError
from shop.selectors.access import depots_of
from shop.selectors.measuring import tool_find, tools_of
from shop.services.tools import ToolReport, tool_write
from shop.web.access import for_those_who
from shop.web.measuring_forms import ToolForm

REFUSAL = "Your role may not change measuring tools. The foreman can."


@require_http_methods(["GET", "POST"])
@login_required
def tools(request: HttpRequest) -> HttpResponse:
    """Show the tools and take a new one."""
    if request.method == "POST":
        return _write(request, None)
    return _page(request, _form(request))


@require_http_methods(["GET", "POST"])
@for_those_who("change unit data", refusal=REFUSAL)
def tool(request: HttpRequest, code: str) -> HttpResponse:
    """Show and change one tool."""
    held = tool_find(request.user, code)
    if held is None:
        raise Http404(f"There is no tool “{code}” in your depots. Look for it among the tools.")
    if request.method == "POST":
        return _write(request, held)
    share = held.reading_error_share
    values = {
        name: getattr(held, name)
        for name in ("code", "kind", "limit", "limit_unit", "calibrated_until", "note")
    }
    values |= {
        "depot": held.depot.code,
        "is_out_of_use": held.is_out_of_use,
        "reading_error_percent": None if share is None else round(100 * share, 2),
    }
    return _page(request, _form(request, initial=values), held)


@for_those_who("change unit data", refusal=REFUSAL)
def _write(request: HttpRequest, held: Any | None) -> HttpResponse:
    form = _form(request, request.POST)
    if form.is_valid():
        values = dict(form.cleaned_data)
        percent = values.pop("reading_error_percent")
        share = None if percent is None else percent / 100.0
        if held is not None:
            values["code"] = held.code
            # A share shown to two decimals of a per cent and sent back untouched is no new one.
            if share is not None and held.reading_error_share is not None:
                is_same = round(100 * held.reading_error_share, 2) == round(percent, 2)
                share = held.reading_error_share if is_same else share
        try:
            done = tool_write(request.user, ToolReport(**values, reading_error_share=share))
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"{done.kind.capitalize()} {done.code} is kept.")
            return redirect("tools")
    return _page(request, form, held, status=422)


def _form(request: HttpRequest, data: Any = None, **kwargs: Any) -> ToolForm:
    return ToolForm(data, depots=list(depots_of(request.user).values_list("code", flat=True)), **kwargs)


def _page(request: HttpRequest, form: ToolForm, held: Any | None = None, status: int = 200) -> HttpResponse:
    rows = tools_of(request.user).order_by("depot__code", "kind", "code")
    return render(request, "shop/tools.html", {"form": form, "tools": rows, "held": held}, status=status)
