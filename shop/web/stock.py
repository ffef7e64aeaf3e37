"""Stock, batches, goods in, tomorrow's pick list and shelf labels."""

import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import clock
from shop.errors import ApplicationError
from shop.selectors import stock as look
from shop.selectors.shelf_levels import look_of, shelf_levels
from shop.selectors.store_rooms import room_warnings, warned_lines
from shop.services import stock as ledger
from shop.services.goods_in import PacksIn, goods_in
from shop.web.access import for_those_who
from shop.web.goods_scan import scanned, typed
from shop.web.stock_forms import BatchForm, GoodsInForm, MoveForm

REFUSAL = "Your role may not move stock. Stores or the foreman can book it."
PACK_ROWS = 4


@require_safe
@login_required
def stock(request: HttpRequest) -> HttpResponse:
    """Show every shelf: on the shelf, reserved, in quarantine, past use-by, free."""
    return render(request, "shop/stock.html", {"shown": look.stock_of(request.user)})


@require_http_methods(["GET", "POST"])
@login_required
def stock_item(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one item with its movements, and book another."""
    item = look.stock_items_of(request.user).filter(pk=pk).first()
    if item is None:
        raise Http404("There is no such pack on the shelves of your depots. Open the stock page again.")
    if request.method == "POST":
        return _move(request, item)
    return _item_page(request, item, MoveForm(shelves=look.shelves_seen(request.user), item=item))


@for_those_who("plan", "close", refusal=REFUSAL)
def _move(request: HttpRequest, item: Any) -> HttpResponse:
    form = MoveForm(request.POST, shelves=look.shelves_seen(request.user), item=item)
    if form.is_valid():
        try:
            told = _booked(request, item, form.cleaned_data)
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, told)
            return redirect("stock_item", pk=item.pk)
    return _item_page(request, item, form, status=422)


def _booked(request: HttpRequest, item: Any, given: dict[str, Any]) -> str:
    """Do one booking of the form and say what happened."""
    what, litres, note = given["what"], given["litres"], given["note"]
    today = clock.today(item.depot.time_zone)
    if what == "count":
        movement = ledger.stock_count(request.user, item, litres, note)
        return (
            "Counted: the books were right."
            if movement is None
            else f"Counted: {movement.litres:+.2f} L booked."
        )
    if what == "write off":
        ledger.stock_write_off(request.user, item, litres, note)
        return f"{litres:g} L written off."
    if what == "open":
        opened = ledger.stock_open(request.user, item, today)
        return f"One pack opened: “{opened.label}”."
    if what == "decant":
        can = ledger.stock_decant(request.user, item, litres, given["label"], today)
        return f"{litres:g} L are in “{can.label}”."
    there = ledger.stock_transfer(request.user, item, litres, given["to"])
    return f"{litres:g} L now stand at {there.depot.code}."


def _item_page(request: HttpRequest, item: Any, form: MoveForm, status: int = 200) -> HttpResponse:
    item.refresh_from_db()
    movements = look.movements_of(request.user).filter(item=item)[: look.NEWEST_MOVEMENTS]
    context = {"item": item, "shown_item": look.item_shown(item), "form": form, "movements": movements}
    return render(request, "shop/stock_item.html", context, status=status)


@require_http_methods(["GET", "POST"])
@login_required
def goods(request: HttpRequest) -> HttpResponse:
    """Take packs in, against an order or without one."""
    orders = look.ordered_of(request.user).filter(is_open=True).order_by("expected_on", "pk")
    shelves = look.shelves_seen(request.user)
    if request.method == "POST":
        return _take_in(request, orders, shelves)
    chosen = orders.filter(
        pk=request.GET.get("order") if request.GET.get("order", "").isdigit() else None
    ).first()
    form = GoodsInForm(orders=orders, shelves=shelves, rows=PACK_ROWS, initial=_expected(chosen))
    return _goods_page(request, form, orders, shelves)


def _expected(line: Any) -> dict[str, Any]:
    """Begin the form with an order's line: its fluid, and its packs while none of them has come."""
    if line is None:
        return {}
    values = {"order": line.pk, "product": line.product_id, "shelf": line.depot_id}
    packs = [] if line.received_l else line.packs[:PACK_ROWS]
    for row, pack in enumerate(packs, start=1):
        values |= {f"pack_size_l_{row}": f"{pack['size_l']:g}", f"count_{row}": pack["count"]}
    return values


def _scan(request: HttpRequest, orders: Any, shelves: Any) -> HttpResponse:
    """Write a scanned pack into the form and show it again."""
    shelf = shelves.first()
    today = clock.today(shelf.time_zone if shelf else "UTC")
    try:
        values, told = scanned(request.POST, PACK_ROWS, today)
    except ValueError as error:
        values, status = typed(request.POST, PACK_ROWS), 422
        messages.error(request, str(error))
    else:
        status = 200
        messages.success(request, told)
    form = GoodsInForm(orders=orders, shelves=shelves, rows=PACK_ROWS, initial=values)
    form.fields["code"].widget.attrs["autofocus"] = True
    return _goods_page(request, form, orders, shelves, status=status)


def _goods_page(
    request: HttpRequest, form: Any, orders: Any, shelves: Any, status: int = 200
) -> HttpResponse:
    context = {"form": form, "expected": warned_lines(orders, shelves)}
    return render(request, "shop/goods_in.html", context, status=status)


@for_those_who("plan", refusal="Your role may not book goods in. Stores or the foreman can.")
def _take_in(request: HttpRequest, orders: Any, shelves: Any) -> HttpResponse:
    if request.POST.get("code", "").strip():
        return _scan(request, orders, shelves)
    form = GoodsInForm(request.POST, orders=orders, shelves=shelves, rows=PACK_ROWS)
    if form.is_valid():
        given = form.cleaned_data
        packs = [PacksIn(**row) for row in form.pack_rows()]
        try:
            items = goods_in(request.user, given["shelf"], given["product"], packs, given["order"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            litres = sum(own.litres for own in packs)
            _name_over_delivery(request, given["order"])
            for said in room_warnings(items[0].depot, given["product"].pk):
                messages.warning(request, f"{said} Move some of it before the room is closed.")
            messages.success(
                request,
                f"{litres:g} L of {given['product'].code} are in: {', '.join(i.label for i in items)}.",
            )
            return redirect("stock")
    return _goods_page(request, form, orders, shelves, status=422)


def _name_over_delivery(request: HttpRequest, order: Any) -> None:
    if order is None:
        return
    order.refresh_from_db()
    if order.over_l:
        messages.warning(
            request,
            f"{order.over_l:g} L more than ordered came on this order; ask {order.supplier.name} what to do with it.",
        )


@require_safe
@login_required
def pick_list(request: HttpRequest) -> HttpResponse:
    """Show what to fetch for the jobs of a day, tomorrow's unless another is asked."""
    asked = request.GET.get("day", "")
    try:
        day = datetime.date.fromisoformat(asked) if asked else None
    except ValueError:
        messages.error(request, f"“{asked}” is no day; write it as 2026-03-03.")
        day = None
    return render(request, "shop/pick_list.html", {"lists": look.pick_lists(request.user, day)})


@require_safe
@login_required
def batch(request: HttpRequest, product: str, batch: str) -> HttpResponse:
    """Show where a batch stands and which units had it."""
    return _batch_page(request, product_or_404(product), batch, BatchForm())


@require_POST
@for_those_who("plan", "close", refusal=REFUSAL)
def batch_set_aside(request: HttpRequest, product: str, batch: str) -> HttpResponse:
    """Put a batch into quarantine, or release it."""
    own, form = product_or_404(product), BatchForm(request.POST)
    is_released = request.POST.get("what") == "release"
    if form.is_valid():
        try:
            changed = ledger.batch_set_aside(
                request.user, own, batch, form.cleaned_data["note"], is_released=is_released
            )
        except ApplicationError as error:
            form.take_errors(error)
        else:
            done = "released" if is_released else "set aside"
            messages.success(request, f"{own.code} batch {batch}: {changed} items {done}.")
            return redirect("batch", product=product, batch=batch)
    return _batch_page(request, own, batch, form, status=422)


@require_safe
@login_required
def label(request: HttpRequest, product: str) -> HttpResponse:
    """Show a product's shelf label, made to be printed, with its standing level where it has one."""
    own = product_or_404(product)
    levels = shelf_levels(request.user, look_of(request.GET), own)
    return render(request, "shop/shelf_label.html", {"label": look.shelf_label(own), "levels": levels})


def product_or_404(code: str) -> Any:
    """Return a product by its code, or tell where to look for it."""
    own = look.product_find(code)
    if own is None:
        raise Http404(f"There is no product “{code}”. Look for it on the stock page.")
    return own


def _batch_page(
    request: HttpRequest, product: Any, batch: str, form: BatchForm, status: int = 200
) -> HttpResponse:
    context = {"trace": look.batch_trace(request.user, product, batch), "form": form}
    return render(request, "shop/batch.html", context, status=status)
