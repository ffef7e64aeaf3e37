"""Orders with suppliers: draft, placed order, its sheet, what happens to it, and the supplier's page."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.errors import ApplicationError
from shop.selectors.order_draft import OrderDraft, draft_checked, litres_wanted, order_draft, shelf_of
from shop.selectors.order_sheet import order_csv, order_pdf
from shop.selectors.store_rooms import rooms_with_order
from shop.selectors.supplier_orders import order_shown, supplier_orders_of, supplier_shown
from shop.selectors.suppliers import supplier_find
from shop.services.goods_in import order_give_up
from shop.services.supplier_orders import (
    Cancelled,
    OrderAsked,
    order_cancel,
    order_chase,
    order_mail_again,
    order_place,
)
from shop.web.access import for_those_who
from shop.web.pictures import share_bar
from shop.web.supplier_order_forms import MAIL, CancelForm, ChaseForm, DraftForm, GiveUpForm

REFUSAL = "Your role may not order. Stores or the foreman can."


@require_http_methods(["GET", "POST"])
@for_those_who("plan", refusal=REFUSAL)
def draft(request: HttpRequest, depot: str, supplier: str) -> HttpResponse:
    """Show the draft of an order, add it up again, or place it."""
    shelf = shelf_of(request.user, depot)
    if shelf is None:
        raise Http404(f"There is no shelf “{depot}” among those of your depots. Open the order list again.")
    begun = order_draft(shelf, _supplier(supplier))
    if request.method != "POST":
        return _draft_page(request, begun, DraftForm(draft=begun))
    form = DraftForm(request.POST, draft=begun)
    if form.is_valid() and request.POST.get("what") != "check":
        try:
            placed = order_place(request.user, shelf, begun.supplier, _asked(form))
        except ApplicationError as error:
            form.take_errors(error)
        else:
            number = placed.order.number
            told = f"{number} is placed." if placed.is_new else f"{number} had been placed already, once."
            messages.success(request, told)
            return redirect("supplier_order", number=number)
    return _draft_page(request, begun, form, status=422 if form.errors else 200)


def _asked(form: DraftForm) -> OrderAsked:
    given = form.cleaned_data
    is_mailed = given["how"] == MAIL
    return OrderAsked(
        draft=given["draft"],
        packs=form.counts(),
        mail_to=given["mail_to"] if is_mailed else "",
        told="" if is_mailed else given["told"],
        note=given["note"],
        below_minimum_reason=given["below_minimum_reason"],
        expected_on=given["expected_on"],
    )


def _draft_page(request: HttpRequest, begun: OrderDraft, form: DraftForm, status: int = 200) -> HttpResponse:
    counts = form.counts()
    chosen = {pack.product_id for pack, count in counts if count}
    context = {
        "draft": begun,
        "form": form,
        "check": draft_checked(begun, counts),
        "rooms": rooms_with_order(begun.depot, litres_wanted(counts)),
        "proposed": [(own, form.rows(own)) for own in begun.proposed],
        "more": [(own, form.rows(own)) for own in begun.more],
        "is_more_open": not begun.proposed or any(own.product.pk in chosen for own in begun.more),
        "is_mail_a_file": bool(settings.MAIL_FOLDER),
    }
    return render(request, "shop/order_draft.html", context, status=status)


@require_safe
@login_required
def supplier_order(request: HttpRequest, number: str) -> HttpResponse:
    """Show one order: its lines, what came, the mail, who waits, what was changed."""
    return _order_page(request, _order(request, number))


def _order_page(
    request: HttpRequest, order: Any, refused: Any = None, given_up: Any = None, status: int = 200
) -> HttpResponse:
    """Show an order again. refused: the form that was not taken; given_up: the line it was about, if it was."""
    context = {
        "shown": order_shown(request.user, order),
        "cancel": refused if isinstance(refused, CancelForm) else CancelForm(),
        "chase": refused if isinstance(refused, ChaseForm) else ChaseForm(),
        "refused": refused,
        "given_up": given_up,
        "is_mail_a_file": bool(settings.MAIL_FOLDER),
    }
    return render(request, "shop/supplier_order.html", context, status=status)


@require_safe
@login_required
def order_sheet_pdf(request: HttpRequest, number: str) -> HttpResponse:
    """Send the order as a PDF file."""
    order = _order(request, number)
    return _file(order_pdf(order), "application/pdf", f"{order.number}.pdf")


@require_safe
@login_required
def order_sheet_csv(request: HttpRequest, number: str) -> HttpResponse:
    """Send the order as a CSV file."""
    order = _order(request, number)
    return _file(order_csv(order).encode(), "text/csv; charset=utf-8", f"{order.number}.csv")


@require_POST
@for_those_who("plan", refusal=REFUSAL)
def cancel(request: HttpRequest, number: str) -> HttpResponse:
    """Cancel an order of which nothing has come."""
    order, form = _order(request, number), CancelForm(request.POST)
    if form.is_valid():
        try:
            told = order_cancel(request.user, order, form.cleaned_data["reason"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"{number} is cancelled. {_who_knows(order.supplier.name, told)}")
            return redirect("supplier_order", number=number)
    return _order_page(request, order, form, status=422)


def _who_knows(supplier: str, told: Cancelled) -> str:
    if told.is_withdrawn:
        return "No mail had gone out."
    if told.mail_to and settings.MAIL_FOLDER:
        return f"Its mail to {told.mail_to} is only a file in the mail folder: tell {supplier} yourself."
    if told.mail_to:
        return f"A mail to {told.mail_to} tells {supplier}."
    return f"Tell {supplier}: nobody else does."


@require_POST
@for_those_who("plan", refusal=REFUSAL)
def chase(request: HttpRequest, number: str) -> HttpResponse:
    """Note the new day a supplier named."""
    order, form = _order(request, number), ChaseForm(request.POST)
    if form.is_valid():
        try:
            order_chase(request.user, order, form.cleaned_data["promised_on"], form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            day = form.cleaned_data["promised_on"]
            messages.success(request, f"{number} is now expected on {day:%a} {day.day} {day:%b}.")
            return redirect("supplier_order", number=number)
    return _order_page(request, order, form, status=422)


@require_POST
@for_those_who("plan", refusal=REFUSAL)
def give_up(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    """Give up what has not come of a line."""
    order, form = _order(request, number), GiveUpForm(request.POST)
    line = order.lines.filter(pk=pk).first()
    if line is None:
        raise Http404(f"{number} has no such line. Open the order again.")
    if form.is_valid():
        try:
            order_give_up(request.user, line, form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, f"The rest of {line.product.code} is given up.")
            return redirect("supplier_order", number=number)
    return _order_page(request, order, form, line, status=422)


@require_POST
@for_those_who("plan", refusal=REFUSAL)
def mail_again(request: HttpRequest, number: str) -> HttpResponse:
    """Send the mail of an order once more."""
    order = _order(request, number)
    try:
        order_mail_again(request.user, order)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, f"The mail of {number} is in the outbox again.")
    return redirect("supplier_order", number=number)


@require_safe
@login_required
def supplier(request: HttpRequest, code: str) -> HttpResponse:
    """Show a supplier: terms, how punctual, what is open, what came."""
    shown = supplier_shown(request.user, _supplier(code))
    return render(request, "shop/supplier.html", {"shown": shown, "bar": share_bar(shown.punctuality)})


def _supplier(code: str) -> Any:
    own = supplier_find(code)
    if own is None:
        raise Http404(f"There is no supplier “{code}”. Look for it on the order list.")
    return own


def _order(request: HttpRequest, number: str) -> Any:
    own = supplier_orders_of(request.user).filter(number=number).first()
    if own is None:
        raise Http404(f"There is no order “{number}” in your depots. Look for it on the order list.")
    return own


def _file(content: bytes, content_type: str, name: str) -> HttpResponse:
    response = HttpResponse(content, content_type=content_type)
    response["Content-Disposition"] = content_disposition_header(True, name)
    return response
