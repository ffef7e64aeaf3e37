"""The meters of a vehicle: what they show and what stands behind it, and a change noted or taken back."""

from datetime import date

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from shop.errors import ApplicationError
from shop.selectors.meter_usage import SOURCE_TRUST
from shop.selectors.meters import MeterShown, meter_changes_of, meters_shown
from shop.selectors.units import reading_find, vehicle_find
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from shop.services.readings import reading_move
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm, day_field
from shop.web.units import NO_SUCH_VEHICLE

REFUSAL = "Your role may not note a meter's change. Fleet, a technician or the foreman can."
KINDS = [
    ("replaced", "replaced by another meter"),
    ("rolled over", "rolled over, begins again at its lowest"),
]


class MeterChangeForm(PlainForm):
    """A meter that counts anew from a day on."""

    meter = forms.ChoiceField(label="Meter")
    kind = forms.ChoiceField(label="What happened", choices=KINDS)
    day = day_field("First day of the new count")
    last_old = forms.CharField(
        label="Last the old one showed", max_length=32, help_text="As it stood there, in its own unit.",
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )  # fmt: skip
    first_new = forms.CharField(
        label="First the new one showed", max_length=32,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
    )  # fmt: skip
    note = forms.CharField(
        label="Note", max_length=200, required=False, help_text="E.g. who fitted it and where the photo is."
    )


class WhyForm(PlainForm):
    """Why a change is taken back."""

    note = forms.CharField(label="Why", max_length=200, required=False)


class OtherVehicleForm(PlainForm):
    """The vehicle a reading was taken off."""

    vehicle = forms.CharField(label="Read off vehicle", max_length=24)


@require_http_methods(["GET", "POST"])
@login_required
def meters(request: HttpRequest, number: str) -> HttpResponse:
    """Show a vehicle's meters and take a change."""
    shown = meters_shown(request.user, number)
    if shown is None:
        raise Http404(NO_SUCH_VEHICLE.format(number))
    if request.method == "POST":
        return _enter(request, number, shown)
    return _page(request, number, shown, _form(shown))


@for_those_who("plan", "close", refusal=REFUSAL)
def _enter(request: HttpRequest, number: str, shown: list[MeterShown]) -> HttpResponse:
    form = _form(shown, request.POST)
    if form.is_valid():
        given = dict(form.cleaned_data)
        kind = given.pop("meter")
        meter = next(own.meter for own in shown if own.meter.kind == kind)
        try:
            done = meter_change_enter(request.user, meter, **given)
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(
                request, f"{number}: {kind} {given['kind']} on {_day(given['day'])}; {done.sentence}."
            )
            return redirect("meters", number=number)
    return _page(request, number, shown, form, status=422)


@require_POST
@for_those_who("plan", "close", refusal=REFUSAL)
def withdrawn(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    """Take a change back."""
    change = meter_changes_of(request.user).filter(pk=pk, meter__vehicle__number=number).first()
    if change is None:
        raise Http404(f"There is no such change of a meter of {number}. Open its meters page again.")
    form = WhyForm(request.POST)
    if not form.is_valid():
        messages.error(
            request, "The reason is too long or holds letters that cannot be kept; say it in 200 characters."
        )
        return redirect("meters", number=number)
    try:
        done = meter_change_withdraw(request.user, change, form.cleaned_data["note"])
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(
            request, f"{number}: the change of {_day(change.day)} is taken back; {done.sentence}."
        )
    return redirect("meters", number=number)


@require_POST
@for_those_who("do", "plan", refusal="Your role cannot answer readings. Ask Fleet, Stores or the workshop.")
def reading_moved(request: HttpRequest, pk: int) -> HttpResponse:
    """Note that a reading was taken off another vehicle."""
    reading = reading_find(request.user, pk)
    if reading is None:
        raise Http404("There is no such reading in your depots. Open the readings page again.")
    # One that counts is moved on its vehicle's page, one that waits on the list of questions.
    own = reading.meter.vehicle.number
    back = redirect("readings") if reading.status == "asked" else redirect("meters", number=own)
    form = OtherVehicleForm(request.POST)
    vehicle = vehicle_find(request.user, form.cleaned_data["vehicle"]) if form.is_valid() else None
    if vehicle is None:
        wanted = form.cleaned_data.get("vehicle", "")
        messages.error(
            request, f"There is no vehicle “{wanted}” in your depots; name the one it was read off."
        )
        return back
    try:
        moved = reading_move(reading, vehicle, request.user)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        asked = f" It is asked about there: {moved.question}" if moved.status == "asked" else ""
        messages.success(
            request,
            f"{reading.raw_text} is noted on {vehicle.number} instead of {own}.{asked}",
        )
    return back


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def _form(shown: list[MeterShown], data: object = None) -> MeterChangeForm:
    form = MeterChangeForm(data)
    form.fields["meter"].choices = [
        (own.meter.kind, f"{own.meter.kind}, {own.meter.shown_in}") for own in shown
    ]
    return form


def _page(
    request: HttpRequest, number: str, shown: list[MeterShown], form: MeterChangeForm, status: int = 200
) -> HttpResponse:
    context = {
        "number": number,
        "shown": shown,
        "trust": SOURCE_TRUST,
        "form": form,
        "may_change": request.user.can("plan") or request.user.can("close"),
        "may_move": request.user.can("do") or request.user.can("plan"),
    }
    return render(request, "shop/meters.html", context, status=status)
