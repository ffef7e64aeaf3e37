"""Containers of old fluid: levels, weeks ahead, pours and dips."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.errors import ApplicationError
from shop.planning.waste_streams import POINTERS, stream_of
from shop.selectors.access import depots_of
from shop.selectors.wastes import (
    NEWEST,
    NEWEST_VISITS,
    Container,
    collections_of,
    containers_of,
    containers_shown,
    streams_without_container,
    waste_movements_of,
)
from shop.selectors.wastes_ahead import levels_ahead
from shop.services.wastes import ContainerReport, container_write, waste_dip, waste_pour
from shop.web.access import for_those_who
from shop.web.level_pictures import level_picture
from shop.web.pictures import TankBar, tank_bar
from shop.web.waste_forms import ContainerForm, DipForm, PourForm

MAY_POUR = "Your role may not book old fluid. A technician or Stores can."
MAY_DIP = "Your role may not correct a level. Stores or the foreman can."
MAY_CHANGE = "Your role may not change containers. The foreman can."


@require_safe
@login_required
def wastes(request: HttpRequest) -> HttpResponse:
    """Show every container with its level, its call day and the visits called for."""
    shown = containers_shown(containers_of(request.user))
    context = {
        "shown": [(own, _bar(own), stream_of(own.tank.stream)) for own in shown],
        "visits": collections_of(request.user)[:NEWEST_VISITS],
        "missing": streams_without_container(depots_of(request.user)),
        "pointers": POINTERS,
    }  # fmt: skip
    return render(request, "shop/wastes.html", context)


@require_safe
@login_required
def container(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one container: weeks ahead, movements, and the forms to book."""
    return _page(request, _found(request, pk))


@require_POST
@for_those_who("do", "plan", refusal=MAY_POUR)
def pour(request: HttpRequest, pk: int) -> HttpResponse:
    """Book old fluid poured in."""
    tank, form = _found(request, pk), PourForm(request.POST, auto_id="pour_%s")
    if form.is_valid():
        given = form.cleaned_data
        try:
            waste_pour(request.user, tank, given["stream"], given["litres"], given["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"{given['litres']:g} L of {tank.stream} poured in.")
            return redirect("container", pk=pk)
    return _page(request, tank, pour_form=form, status=422)


@require_POST
@for_those_who("plan", "close", refusal=MAY_DIP)
def dip(request: HttpRequest, pk: int) -> HttpResponse:
    """Put the level right."""
    tank, form = _found(request, pk), DipForm(request.POST, auto_id="dip_%s")
    if form.is_valid():
        try:
            moved = waste_dip(request.user, tank, form.cleaned_data["level_l"], form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(
                request, "The books were right." if moved is None else f"{moved.litres:+.1f} L booked."
            )
            return redirect("container", pk=pk)
    return _page(request, tank, dip_form=form, status=422)


@require_http_methods(["GET", "POST"])
@for_those_who("change unit data", refusal=MAY_CHANGE)
def container_new(request: HttpRequest) -> HttpResponse:
    """Add a container."""
    depots = {depot.code: depot for depot in depots_of(request.user)}
    initial = {"stream": request.GET.get("stream", ""), "depot": request.GET.get("depot", "")}
    form = ContainerForm(
        request.POST or None, depots=list(depots), initial={k: v for k, v in initial.items() if v}
    )
    if request.method == "POST" and form.is_valid():
        given = dict(form.cleaned_data)
        depot = depots[given.pop("depot")]
        taken = containers_of(request.user).filter(depot=depot, stream=given["stream"]).first()
        if taken is not None:
            form.add_error(
                "stream", f"{depot.code} has a container for {taken.stream} already; change that one."
            )
        elif (done := _written(request, form, depot, given)) is not None:
            return redirect("container", pk=done.pk)
    status = 422 if form.errors else 200
    return render(request, "shop/container_form.html", {"form": form, "tank": None}, status=status)


@require_http_methods(["GET", "POST"])
@for_those_who("change unit data", refusal=MAY_CHANGE)
def container_change(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a container's figures; its level belongs to pours, dips and collections."""
    tank = _found(request, pk)
    names = (
        "stream",
        "place",
        "waste_code",
        "capacity_l",
        "mean_per_day_l",
        "sd_per_day_l",
        "collector_lead_days",
    )
    initial = {name: getattr(tank, name) for name in names}
    form = ContainerForm(request.POST or None, depots=[], is_held=True, initial=initial)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data | {"stream": tank.stream}
        if _written(request, form, tank.depot, given) is not None:
            return redirect("container", pk=pk)
    status = 422 if form.errors else 200
    return render(request, "shop/container_form.html", {"form": form, "tank": tank}, status=status)


def _bar(own: Container) -> TankBar:
    return tank_bar(own.tank.level_l, own.tank.capacity_l, own.call.call_level_l)


def _written(request: HttpRequest, form: ContainerForm, depot: Any, given: dict[str, Any]) -> Any | None:
    try:
        done = container_write(request.user, depot, ContainerReport(**given))
    except ApplicationError as error:
        form.take_errors(error)
        return None
    messages.success(request, f"The {done.stream} container at {depot.code} is kept.")
    return done


def _found(request: HttpRequest, pk: int) -> Any:
    tank = containers_of(request.user).filter(pk=pk).first()
    if tank is None:
        raise Http404("There is no such container in your depots. Look for it on the waste page.")
    return tank


def _page(
    request: HttpRequest, tank: Any, *, pour_form: Any = None, dip_form: Any = None, status: int = 200
) -> HttpResponse:
    own = containers_shown([tank])[0]
    ahead = levels_ahead([own])[tank.pk]
    context = {
        "own": own,
        "stream": stream_of(tank.stream),
        "bar": _bar(own),
        "ahead": ahead,
        "weeks": list(zip(ahead.at_rate, ahead.by_jobs, strict=True)),
        "picture": level_picture(ahead.at_rate, ahead.by_jobs, tank.capacity_l, own.call.call_level_l),
        "movements": waste_movements_of(request.user).filter(tank=tank)[:NEWEST],
        "pour_form": pour_form or PourForm(auto_id="pour_%s"),
        "dip_form": dip_form or DipForm(auto_id="dip_%s"),
    }
    return render(request, "shop/container.html", context, status=status)
