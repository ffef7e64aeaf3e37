"""The stock as files to download: a row for each pack, its product's sums beside it."""

from collections.abc import Iterator
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from shop.selectors.stock import stock_of
from shop.web.csv_file import csv_response
from shop.web.xlsx_file import xlsx_response

HEADER = [
    "depot", "product", "product_name", "label", "place", "batch", "litres", "pack_size_l", "state", "opened_on",
    "use_by", "last_day", "product_on_shelf_l", "product_reserved_l", "product_quarantined_l",
    "product_past_use_by_l", "product_free_l", "product_on_order_l",
]  # fmt: skip


@require_safe
@login_required
def stock_csv(request: HttpRequest) -> HttpResponse:
    """Send the stock as a CSV file."""
    return csv_response("stock-today.csv", HEADER, _cells(request.user))


@require_safe
@login_required
def stock_xlsx(request: HttpRequest) -> HttpResponse:
    """Send the stock as a spreadsheet."""
    return xlsx_response("stock-today.xlsx", HEADER, _cells(request.user))


def _cells(person: Any) -> Iterator[list[Any]]:
    """Give each pack a row; a product of which nothing stands there, but is on order, has one row without a pack."""
    for own in stock_of(person):
        sums = own.litres
        names = [own.depot.code, own.product.code, own.product.name]
        totals = [
            sums.on_shelf_l, sums.reserved_other_l, sums.quarantined_l, sums.past_use_by_l, sums.free_l,
            own.on_order_l,
        ]  # fmt: skip
        for shown in own.items:
            item = shown.item
            yield [
                *names, item.label, item.place, item.batch, item.on_shelf_l, item.pack_size_l,
                shown.why_not or "usable", item.opened_on, item.use_by, shown.last_day, *totals,
            ]  # fmt: skip
        if not own.items:
            yield [*names, *[None] * 9, *totals]
