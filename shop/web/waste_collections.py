"""The collector's visits: call, hand over, cancel, paper and CSV file."""

import datetime
from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import clock
from shop.errors import ApplicationError
from shop.selectors.access import depots_of
from shop.selectors.wastes import collections_of, collectors_known, containers_of, containers_shown
from shop.services.waste_collections import (
    HandOver,
    Taken,
    collection_call,
    collection_cancel,
    collection_done,
)
from shop.web.access import for_those_who
from shop.web.csv_file import csv_response
from shop.web.waste_forms import CallForm, CancelForm, HandOverForm

MAY_CALL = "Your role may not call a collector. Stores or the foreman can."
MAY_HAND_OVER = "Your role may not book a collection. Stores or the foreman can."
CSV_HEADER = [
    "depot", "collector", "state", "called_on", "collected_on", "paper_number", "stream", "waste_code", "expected_l",
    "collected_l", "weighed_kg", "handed_over_by", "receipt", "note",
]  # fmt: skip


@require_http_methods(["GET", "POST"])
@for_those_who("plan", refusal=MAY_CALL)
def call(request: HttpRequest) -> HttpResponse:
    """Note a call for some containers of one depot."""
    with_tanks = set(containers_of(request.user).values_list("depot", flat=True))
    depots = [depot for depot in depots_of(request.user) if depot.pk in with_tanks]
    asked = request.GET.get("depot", "")
    depot = next((own for own in depots if own.code == asked), depots[0] if depots else None)
    if depot is None:
        raise Http404("There is no container in your depots. Add one first.")
    shown = [
        own for own in containers_shown(containers_of(request.user).filter(depot=depot)) if not own.open_line
    ]
    initial = {f"litres_{own.tank.pk}": own.tank.level_l for own in shown if own.call.state == "call today"}
    form = CallForm(request.POST or None, collectors=collectors_known(), containers=shown, initial=initial)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            visit = collection_call(
                request.user, depot, given["collector"], form.wanted(), given["expected_on"], given["note"]
            )
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"{visit.collector.name} is called for.")
            return redirect("collection", pk=visit.pk)
    context = {"form": form, "depot": depot, "depots": depots}
    return render(request, "shop/collection_call.html", context, status=422 if form.errors else 200)


@require_safe
@login_required
def collection(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the paper of one visit, made to be printed."""
    return _page(request, _found(request, pk))


@require_POST
@for_those_who("plan", "close", refusal=MAY_HAND_OVER)
def hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Book what the collector took."""
    visit = _found(request, pk)
    lines = list(visit.lines.all())
    form = HandOverForm(request.POST, lines=lines)
    if form.is_valid():
        given = form.cleaned_data
        taken = {line.pk: Taken(given[f"litres_{line.pk}"], given[f"kg_{line.pk}"]) for line in lines}
        paper = HandOver(given["paper_number"], given["collected_on"], given["receipt"])
        try:
            collection_done(request.user, visit, taken, paper)
        except ApplicationError as error:
            form.take_errors(error)
        else:
            total_l = sum(own.litres for own in taken.values())
            left = [f"{own.level_l:.0f} L of {own.stream}"
                    for own in containers_of(request.user).filter(pk__in=[line.tank_id for line in lines])]  # fmt: skip
            messages.success(
                request,
                f"{total_l:g} L handed over, paper {paper.paper_number}. By the books {', '.join(left)} are left: dip.",
            )
            return redirect("collection", pk=pk)
    return _page(request, visit, done_form=form, status=422)


@require_POST
@for_those_who("plan", refusal=MAY_CALL)
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Cancel a visit and say why."""
    visit, form = _found(request, pk), CancelForm(request.POST, auto_id="cancel_%s")
    if form.is_valid():
        try:
            collection_cancel(request.user, visit, form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, "The visit is cancelled.")
            return redirect("collection", pk=pk)
    return _page(request, visit, cancel_form=form, status=422)


@require_safe
@login_required
def collections_csv(request: HttpRequest) -> HttpResponse:
    """Send the visits called for in a period as a CSV file, one row for each container."""
    visits = collections_of(request.user).order_by("called_on", "pk")
    for name, lookup in (("from", "called_on__gte"), ("until", "called_on__lte")):
        asked = request.GET.get(name, "")
        try:
            visits = visits.filter(**{lookup: datetime.date.fromisoformat(asked)}) if asked else visits
        except ValueError:
            messages.error(request, f"“{asked}” is no day; write it as 2026-03-03.")
            return redirect("wastes")
    return csv_response("collections.csv", CSV_HEADER, _cells(visits))


def _cells(visits: Any) -> Iterator[list[Any]]:
    for visit in visits:
        for line in visit.lines.all():
            yield [
                visit.depot.code, visit.collector.name, visit.state, visit.called_on, visit.collected_on,
                visit.paper_number, line.stream, line.waste_code, line.expected_l, line.collected_l, line.weighed_kg,
                str(visit.handed_over_by or ""), visit.receipt, visit.note,
            ]  # fmt: skip


def _found(request: HttpRequest, pk: int) -> Any:
    visit = collections_of(request.user).filter(pk=pk).first()
    if visit is None:
        raise Http404("There is no such collection in your depots. Look for it on the waste page.")
    return visit


def _page(
    request: HttpRequest, visit: Any, *, done_form: Any = None, cancel_form: Any = None, status: int = 200
) -> HttpResponse:
    lines = list(visit.lines.all())
    initial = {f"litres_{line.pk}": line.tank.level_l for line in lines}
    initial["collected_on"] = clock.today(visit.depot.time_zone)
    context = {
        "visit": visit,
        "lines": lines,
        "done_form": done_form or HandOverForm(lines=lines, initial=initial),
        "cancel_form": cancel_form or CancelForm(auto_id="cancel_%s"),
    }
    return render(request, "shop/collection.html", context, status=status)
