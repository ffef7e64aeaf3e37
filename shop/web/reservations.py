"""Promising fluid to a unit's next job, and freeing it, from the unit's page."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from shop.errors import ApplicationError
from shop.selectors.stock import reservations_of
from shop.selectors.units import unit_find
from shop.services.reservations import reservation_free, reservation_make
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm
from shop.web.stock_forms import FreeForm, ReserveForm
from shop.web.units import NO_SUCH_UNIT

REFUSAL = "Your role may not reserve fluid. Stores, a technician or the foreman can."


@require_POST
@for_those_who("plan", "close", refusal=REFUSAL)
def reserve(request: HttpRequest, code: str) -> HttpResponse:
    """Reserve the house fluid for a unit's next job."""
    unit = unit_find(request.user, code)
    if unit is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    form = ReserveForm(request.POST)
    if form.is_valid():
        try:
            made = reservation_make(request.user, unit, form.cleaned_data["litres"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            own = made.reservation
            instead = "".join(
                f" Its {old.litres:g} L of {old.product.code} are free again." for old in made.freed
            )
            short = f" {made.short_l:.1f} L of it have to be ordered." if made.short_l else ""
            caution = f" {made.caution}" if made.caution else ""
            messages.success(
                request,
                f"{own.litres:g} L of {own.product.code} are reserved for {code}.{instead}{short}{caution}",
            )
    return _back(request, code, form)


@require_POST
@for_those_who("plan", "close", refusal=REFUSAL)
def free(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """Free a unit's reserved litres."""
    own = reservations_of(request.user).filter(pk=pk, unit__code=code).first()
    if own is None:
        raise Http404(f"Nothing of that kind is reserved for {code}. Look at its page.")
    form = FreeForm(request.POST)
    if form.is_valid():
        try:
            reservation_free(request.user, own, form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"{own.litres:g} L of {own.product.code} are free again.")
    return _back(request, code, form)


def _back(request: HttpRequest, code: str, form: PlainForm) -> HttpResponse:
    form.tell_errors(request)
    return redirect("unit", code=code)
