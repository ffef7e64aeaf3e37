"""Fluid pages: the fewest products, jug or drum, and a plan to change from one to another. Nothing is stored."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shop.errors import InputError
from shop.selectors.change_over import change_plan, looks_until, replacements_for
from shop.selectors.fewest import CAUTIONS, Fewest, Move, fewest_of
from shop.selectors.pack_choice import packs_compared
from shop.selectors.stock import product_find, products_known
from shop.web.csv_file import csv_response
from shop.web.fluid_forms import FewestForm, PacksForm, ReplaceForm
from shop.web.fluid_pictures import cost_picture, merge_picture
from shop.web.stock import product_or_404

CSV_HEADER = [
    "product", "replaced_by", "unit_model", "units", "litres_per_year", "approval_today", "approval_then", "rests_on",
    "rinse_first", "product_price_saving", "product_stock_saving", "product_opened_saving", "product_saving",
    "currency",
]  # fmt: skip


@require_safe
@login_required
def fewest(request: HttpRequest) -> HttpResponse:
    """Show the smallest set of products for the fleet."""
    form, found = _fewest(request)
    context = {"form": form, "found": found, "picture": merge_picture(found) if found else None}
    return render(request, "shop/fewest.html", context)


@require_safe
@login_required
def fewest_csv(request: HttpRequest) -> HttpResponse:
    """Send who would get what as a CSV file; a question that cannot be answered gives the header alone."""
    _, found = _fewest(request)
    rows = [
        [
            own.code, *_move_cells(move), own.saving.price, own.saving.stock, own.saving.opened, own.saving.total,
            found.currency,
        ]
        for own in (found.dropped if found else ())
        for move in own.moves
    ]  # fmt: skip
    rows += [
        [move.old, *_move_cells(move), None, None, None, None, found.currency]
        for move in (found.moved if found else ())
    ]
    return csv_response("fewest-fluids.csv", CSV_HEADER, rows)


def _move_cells(move: Move) -> list[Any]:
    return [
        move.new, move.unit_model, len(move.units), move.litres_per_year, move.old_strength, move.new_strength,
        "; ".join(move.basis), move.rinse,
    ]  # fmt: skip


def _fewest(request: HttpRequest) -> tuple[FewestForm, Fewest | None]:
    form = FewestForm(FewestForm.filled(request.GET))
    if not form.is_valid():
        return form, None
    try:
        return form, fewest_of(request.user, form.asked())
    except InputError as error:
        form.take_errors(error)
        return form, None


@require_safe
@login_required
def packs(request: HttpRequest, code: str) -> HttpResponse:
    """Show what a fluid costs in a year out of each size it is sold in."""
    product = product_or_404(code)
    form = PacksForm(PacksForm.filled(request.GET))
    shown = None
    if form.is_valid():
        try:
            shown = packs_compared(request.user, product, form.asked())
        except InputError as error:
            form.take_errors(error)
    picture = cost_picture(shown) if shown and shown.rows else None
    return render(
        request,
        "shop/fluid_packs.html",
        {"product": product, "form": form, "shown": shown, "picture": picture},
    )


@require_safe
@login_required
def replace(request: HttpRequest, code: str) -> HttpResponse:
    """Show a plan to change the units filled with one product to another."""
    product = product_or_404(code)
    context: dict[str, Any] = {"product": product, "plan": None, "cautions": CAUTIONS}
    try:
        fitting = {own.pk for own in replacements_for(request.user, product)}
    except InputError as error:
        return render(request, "shop/fluid_replace.html", context | {"refusal": error.sentence})
    others = [own for own in products_known() if own.pk != product.pk]
    others.sort(key=lambda own: own.pk not in fitting)
    data = request.GET.copy()
    if not data.get("by") and fitting:
        data["by"] = others[0].code
    form = ReplaceForm(data)
    form.fields["by"].choices = [
        (own.code, f"{own.code} {own.name}{'' if own.pk in fitting else ' (fits no unit)'}") for own in others
    ]
    context |= {"form": form, "has_fitting": bool(fitting)}
    if data.get("by") and form.is_valid():
        new = product_find(form.cleaned_data["by"])
        try:
            plan = change_plan(request.user, product, new, form.cleaned_data["hoses_l"])
            context |= {"plan": plan, "looks_until": looks_until(plan.as_of)}
        except InputError as error:
            form.take_errors(error)
    return render(request, "shop/fluid_replace.html", context)
