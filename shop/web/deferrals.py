"""Putting a due line off: where it will stand first, then the signature; and the signed list."""

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.errors import ApplicationError
from shop.selectors.access import due_lines_of
from shop.selectors.deferrals import DeferralSight, deferral_list, deferral_sight, deferrals_of, meter_of
from shop.selectors.due_today import explained
from shop.selectors.units import unit_find
from shop.services.deferrals import DeferralReport, deferral_asked, deferral_end, deferral_sign
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm, day_field
from shop.web.units import NO_SUCH_UNIT

REFUSAL = "Your role may not sign deferrals. The foreman can."
LOOK, SIGN = "look", "sign"


class DeferralForm(PlainForm):
    """Until when, why, and who signs; looked at first, then signed."""

    subject = forms.ChoiceField(label="What is put off")
    until = day_field("Comes back on", is_needed=False)
    until_total = forms.CharField(
        label="Or when the meter shows",
        max_length=32,
        required=False,
        help_text="In the meter's own unit. With a day as well, whichever comes first.",
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )
    reason = forms.CharField(label="Why", max_length=200, required=False)
    signed_by = forms.CharField(label="Signed by", max_length=150, required=False)
    answers_for = forms.CharField(
        label="Answers for it, by name",
        max_length=80,
        required=False,
        help_text="Needed for a warranty or safety item that runs past due, and past the window.",
    )

    def __init__(self, *args: Any, subjects: list[str], has_meter: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = [(own, own) for own in subjects]
        if not has_meter:
            del self.fields["until_total"]


class EndForm(PlainForm):
    """Why a deferral ends before its day."""

    why = forms.CharField(label="Why it ends before its day", max_length=200, required=False)


@require_http_methods(["GET", "POST"])
@for_those_who("change unit data", refusal=REFUSAL)
def unit_deferral(request: HttpRequest, code: str) -> HttpResponse:
    """Show where a line will stand on the day it comes back, and take the signature."""
    unit = unit_find(request.user, code)
    if unit is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    lines = {line.rule.subject: line for line in explained(due_lines_of(request.user).filter(unit=unit))}
    if not lines:
        raise Http404(f"Nothing falls due on {code}, so nothing can be put off. Give it a rule first.")
    has_meter = any(meter_of(line) is not None for line in lines.values())
    posted = request.POST if request.method == "POST" else None
    form = DeferralForm(
        posted, subjects=list(lines), has_meter=has_meter, initial={"signed_by": str(request.user)}
    )
    sight: DeferralSight | None = None
    if form.is_valid():
        typed = form.cleaned_data
        line = lines[typed["subject"]]
        try:
            asked = deferral_asked(line, typed["until"], typed.get("until_total") or "")
            sight = deferral_sight(line, asked)
            if request.POST.get("do") == SIGN:
                report = DeferralReport(asked, typed["reason"], typed["signed_by"], typed["answers_for"])
                hold = deferral_sign(request.user, line, report)
                messages.success(
                    request, f"Put off until {hold.until}, signed {hold.signed_by}. It comes back by itself."
                )
                return redirect("deferrals")
        except ApplicationError as error:
            form.take_errors(error)
    context = {"form": form, "unit": unit, "sight": sight, "lines": list(lines.values())}
    return render(request, "shop/deferral.html", context, status=422 if form.errors else 200)


@require_safe
@login_required
def deferrals(request: HttpRequest) -> HttpResponse:
    """Show what is put off and by whom, and what came back."""
    return render(request, "shop/deferrals.html", {"found": deferral_list(request.user)})


@require_POST
@for_those_who("change unit data", refusal=REFUSAL)
def ended(request: HttpRequest, pk: int) -> HttpResponse:
    """End one deferral before its day."""
    hold = deferrals_of(request.user).filter(pk=pk).first()
    if hold is None:
        raise Http404("There is no such deferral in your depots. Open the list again.")
    form = EndForm(request.POST)
    if form.is_valid():
        try:
            done = deferral_end(request.user, hold, form.cleaned_data["why"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"The deferral of {done.unit or done.vehicle} is ended.")
    form.tell_errors(request)
    return redirect("deferrals")
