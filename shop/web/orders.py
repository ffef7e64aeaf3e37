"""The ordering list."""

from collections.abc import Iterator
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shop.selectors.order_draft import drafts_offered
from shop.selectors.orders import OrderGroup, order_groups
from shop.selectors.supplier_orders import orders_shown
from shop.web.csv_file import csv_response
from shop.web.xlsx_file import xlsx_response

CSV_HEADER = [
    "when", "depot", "product", "product_name", "supplier", "need_l", "free_l", "net_l", "order_l", "packs", "cost",
    "currency", "left_over_l", "latest_order_day", "jobs", "why",
]  # fmt: skip


@require_safe
@login_required
def orders(request: HttpRequest) -> HttpResponse:
    """Show what to order by when, and the sums behind it."""
    context = {
        "groups": order_groups(request.user),
        "drafts": drafts_offered(request.user),
        "placed": orders_shown(request.user),
    }
    return render(request, "shop/orders.html", context)


@require_safe
@login_required
def orders_csv(request: HttpRequest) -> HttpResponse:
    """Send the ordering list as a CSV file."""
    return csv_response("order-list.csv", CSV_HEADER, _cells(order_groups(request.user)))


@require_safe
@login_required
def orders_xlsx(request: HttpRequest) -> HttpResponse:
    """Send the ordering list as a spreadsheet."""
    return xlsx_response("order-list.xlsx", CSV_HEADER, _cells(order_groups(request.user)))


def _cells(groups: list[OrderGroup]) -> Iterator[list[Any]]:
    for line in (line for group in groups for line in group.lines):
        packs = "; ".join(f"{pack['count']} × {pack['printed']}" for pack in line.facts.get("packs", ()))
        jobs = "; ".join(job["unit"] for job in line.facts.get("jobs", ()))
        yield [
            line.when, line.depot.code, line.product.code, line.product.name,
            line.supplier.name if line.supplier else "", line.need_l, line.free_l, line.net_l, line.order_l, packs,
            line.cost, line.depot.currency, line.left_over_l, line.latest_order_day, jobs, line.sentence,
        ]  # fmt: skip
