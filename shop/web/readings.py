"""Typing in a reading, and answering the readings that were asked about."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from shop.errors import ApplicationError
from shop.selectors.meters import whose_may_be
from shop.selectors.units import asked_readings, meters_of_vehicle, reading_find
from shop.services.readings import reading_answer, reading_record
from shop.web.access import for_those_who
from shop.web.forms import ReadingForm

ANSWERS = ["as guessed", "as typed", "not a reading"]
REFUSAL = "Your role cannot enter readings. Ask Fleet, Stores or the workshop to type it."


@require_http_methods(["GET", "POST"])
@login_required
def readings(request: HttpRequest) -> HttpResponse:
    """Show the readings that wait for an answer and take a new one."""
    if request.method == "POST":
        return _record(request)
    form = ReadingForm(initial={"vehicle": request.GET.get("vehicle", "")})
    return _page(request, form)


@require_POST
@for_those_who("do", "plan", refusal=REFUSAL)
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Take one of the three answers to an odd reading."""
    reading = reading_find(request.user, pk)
    if reading is None:
        raise Http404("There is no such reading in your depots. Open the readings page again.")
    try:
        reading_answer(reading, request.POST.get("answer", ""), request.user)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(
            request, f"{reading.meter.vehicle.number}: the reading {reading.raw_text} is answered."
        )
    return redirect("readings")


@for_those_who("do", "plan", refusal=REFUSAL)
def _record(request: HttpRequest) -> HttpResponse:
    form = ReadingForm(request.POST)
    if form.is_valid():
        meters = meters_of_vehicle(request.user, form.cleaned_data["vehicle"])
        meter = form.choose_meter(meters)
        if meter is not None:
            try:
                reading = reading_record(
                    meter, form.cleaned_data["value"], source="workshop", person=request.user
                )
            except ApplicationError as error:
                form.take_errors(error)
            else:
                _tell(request, reading)
                return redirect("readings")
    return _page(request, form, status=422)


def _tell(request: HttpRequest, reading: object) -> None:
    number, text = reading.meter.vehicle.number, reading.raw_text
    if reading.status == "asked":
        messages.warning(request, f"{number}: {text} is kept but set aside. {reading.question}")
    else:
        messages.success(request, f"{number}: {text} is in. The dates move with the next daily run.")


def _page(request: HttpRequest, form: ReadingForm, status: int = 200) -> HttpResponse:
    asked = list(asked_readings(request.user))
    context = {"form": form, "asked": asked, "answers": ANSWERS, "whose": whose_may_be(asked)}
    return render(request, "shop/readings.html", context, status=status)
