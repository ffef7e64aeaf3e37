"""Bulk tanks: levels, dips against the books, deliveries and issues."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.errors import ApplicationError
from shop.selectors.stock import NEWEST_MOVEMENTS, movements_of, ordered_of, stock_items_of
from shop.selectors.tanks import dips_of, tanks_of, tanks_shown
from shop.services import tanks as service
from shop.web.access import for_those_who
from shop.web.level_pictures import months_picture
from shop.web.pictures import tank_bar
from shop.web.tank_forms import CorrectionForm, DeliveryForm, IssueForm, TankDipForm, TankForm

MAY_TAKE = "Your role may not dip or draw. A technician or Stores can."
MAY_DELIVER = "Your role may not book goods in. Stores or the foreman can."
MAY_COUNT = "Your role may not put the books right. Stores or the foreman can."
MAY_CHANGE = "Your role may not change tanks. The foreman can."


@require_safe
@login_required
def tanks(request: HttpRequest) -> HttpResponse:
    """Show every tank with its level by the books and by the last dip."""
    shown = [(own, _bar(own)) for own in tanks_shown(tanks_of(request.user))]
    return render(request, "shop/tanks.html", {"shown": shown})


@require_safe
@login_required
def tank(request: HttpRequest, code: str) -> HttpResponse:
    """Show one tank: months, dips, movements, and the forms to book."""
    return _page(request, _found(request, code))


@require_POST
@for_those_who("do", "plan", refusal=MAY_TAKE)
def dip(request: HttpRequest, code: str) -> HttpResponse:
    """Note a dip; the books do not move."""
    own, form = _found(request, code), TankDipForm(request.POST, auto_id="dip_%s")

    def work(given: dict[str, Any]) -> str:
        made = service.tank_dip(request.user, own, service.Dip(**given))
        return f"Dip noted: {made.litres:g} L, the books hold {made.book_l:g} L."

    return _booked(request, own, form, "dip_form", work)


@require_POST
@for_those_who("do", "plan", refusal=MAY_TAKE)
def issue(request: HttpRequest, code: str) -> HttpResponse:
    """Book litres drawn by the meter."""
    own, form = _found(request, code), IssueForm(request.POST, auto_id="issue_%s")

    def work(given: dict[str, Any]) -> str:
        service.tank_issue(request.user, own, given["litres"], given["note"])
        return f"{given['litres']:g} L issued."

    return _booked(request, own, form, "issue_form", work)


@require_POST
@for_those_who("plan", refusal=MAY_DELIVER)
def delivery(request: HttpRequest, code: str) -> HttpResponse:
    """Book a delivery into the tank."""
    own = _found(request, code)
    form = DeliveryForm(request.POST, auto_id="delivery_%s", orders=_orders(request, own))

    def work(given: dict[str, Any]) -> str:
        service.tank_delivery(
            request.user, own, given["litres"], given["batch"], given["order"], given["note"]
        )
        return f"{given['litres']:g} L are in."

    return _booked(request, own, form, "delivery_form", work)


@require_POST
@for_those_who("plan", "close", refusal=MAY_COUNT)
def correction(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """Take a dip's difference as a counted correction."""
    own = _found(request, code)
    held = dips_of(request.user).filter(pk=pk, tank=own).first()
    if held is None:
        raise Http404("There is no such dip of this tank. Open its page again.")
    form = CorrectionForm(request.POST, auto_id="correction_%s")

    def work(given: dict[str, Any]) -> str:
        moved = service.dip_take_as_count(request.user, held, given["note"])
        return "The books were right." if moved is None else f"Counted: {moved.litres:+.1f} L booked."

    return _booked(request, own, form, "correction_form", work)


@require_http_methods(["GET", "POST"])
@for_those_who("change unit data", refusal=MAY_CHANGE)
def tank_set_up(request: HttpRequest, pk: int) -> HttpResponse:
    """Make a stock item a tank, or change the tank it is."""
    item = stock_items_of(request.user).filter(pk=pk).first()
    if item is None:
        raise Http404("There is no such stock on the shelves of your depots. Open the stock page again.")
    held = tanks_of(request.user).filter(item=item).first()
    initial = {"capacity_l": item.pack_size_l}
    if held is not None:
        table = "\n".join(f"{mark.mm:g} {mark.litres:g}" for mark in held.marks.all())
        initial = {"code": held.code, "name": held.name, "capacity_l": held.capacity_l, "marks": table}
    form = TankForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            done = service.tank_write(request.user, item, service.TankReport(**form.cleaned_data))
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"Tank {done.code} is kept.")
            return redirect("tank", code=done.code)
    context = {"form": form, "item": item, "held": held}
    return render(request, "shop/tank_form.html", context, status=422 if form.errors else 200)


def _booked(
    request: HttpRequest, own: Any, form: Any, name: str, work: Callable[[dict[str, Any]], str]
) -> HttpResponse:
    if form.is_valid():
        try:
            told = work(form.cleaned_data)
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, told)
            return redirect("tank", code=own.code)
    return _page(request, own, {name: form}, status=422)


def _found(request: HttpRequest, code: str) -> Any:
    own = tanks_of(request.user).filter(code=code).first()
    if own is None:
        raise Http404(f"There is no tank “{code}” in your depots. Look for it among the tanks.")
    return own


def _orders(request: HttpRequest, own: Any) -> Any:
    orders = ordered_of(request.user).filter(is_open=True, product=own.item.product, depot=own.item.depot)
    return orders.order_by("expected_on", "pk")


def _bar(own: Any) -> Any:
    """Draw the level by the books, with the last dip as the mark."""
    return tank_bar(own.tank.item.on_shelf_l, own.tank.capacity_l, own.last.litres_15 if own.last else None)


def _page(
    request: HttpRequest, own: Any, forms: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    own = _found(request, own.code)
    shown = tanks_shown([own])[0]
    context = {
        "shown": shown,
        "bar": _bar(shown),
        "picture": months_picture(
            [
                (
                    month.month,
                    _by_books(month),
                    month.dip_l,
                    bool(month.shrink and not month.shrink.is_normal),
                )
                for month in shown.months
            ]
        ),
        "movements": movements_of(request.user).filter(item=own.item)[:NEWEST_MOVEMENTS],
        "dip_form": TankDipForm(auto_id="dip_%s"),
        "issue_form": IssueForm(auto_id="issue_%s"),
        "delivery_form": DeliveryForm(auto_id="delivery_%s", orders=_orders(request, own)),
        "correction_form": CorrectionForm(auto_id="correction_%s"),
    }
    return render(request, "shop/tank.html", context | (forms or {}), status=status)


def _by_books(month: Any) -> float | None:
    """Return what should have stood there: the dip before plus what came less what went."""
    parts = (month.opening_l, month.delivered_l, month.issued_l)
    return None if None in parts else parts[0] + parts[1] - parts[2]
