"""Shelf levels: with how many packs left to order how many. Nothing is stored or ordered."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shop.planning.demand import SERVICE_LEVEL
from shop.planning.pack_costs import KEEPING_SHARE_PER_YEAR
from shop.selectors.order_plan import HOUSE_ORDER_COST
from shop.selectors.shelf_levels import LOOKS, look_of, shelf_levels
from shop.web.csv_file import csv_response

CSV_HEADER = [
    "depot", "product", "product_name", "look", "steady_l_per_year", "steady_from", "planned_l_per_year", "supplier",
    "pack", "level_packs", "order_packs", "up_to_packs", "packs_now", "order_due", "orders_per_year", "on_shelf_l",
    "dry_share", "cost_per_year", "currency", "rule", "why",
]  # fmt: skip


@require_safe
@login_required
def levels(request: HttpRequest) -> HttpResponse:
    """Show each product's standing level."""
    look = look_of(request.GET)
    rows = shelf_levels(request.user, look)
    context = {
        "look": look, "looks": LOOKS, "with_level": [own for own in rows if own.chosen],
        "unsaid": [own for own in rows if own.cannot_say], "planned": [own for own in rows if own.is_planned_only],
        "has_shelves": len({own.depot for own in rows}) > 1, "house_order_cost": HOUSE_ORDER_COST,
        "keeping_share": KEEPING_SHARE_PER_YEAR, "service_level": SERVICE_LEVEL,
    }  # fmt: skip
    return render(request, "shop/shelf_levels.html", context)


@require_safe
@login_required
def levels_csv(request: HttpRequest) -> HttpResponse:
    """Send each product's standing level as a CSV file; a product without one has its reason in the last column."""
    rows = []
    for own in shelf_levels(request.user, look_of(request.GET)):
        best, use = own.chosen, own.use
        figures = (
            [
                best.supplier, best.pack, best.level, best.order_packs, best.up_to, own.packs_now,
                "yes" if own.is_order_due else "no", best.orders_per_year, best.on_shelf_l, best.dry_share,
                best.cost_per_year,
            ]
            if best
            else [None] * 11
        )  # fmt: skip
        rows.append(
            [
                own.depot, own.product, own.name, own.look, use.litres_per_year, use.source, use.planned_l, *figures,
                own.currency, own.rule, own.cannot_say or own.sentence,
            ]
        )  # fmt: skip
    return csv_response("shelf-levels.csv", CSV_HEADER, rows)
