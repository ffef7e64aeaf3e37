"""The due list: in working order, narrowed by filters that live in the address."""

from contextlib import suppress
from urllib.parse import urlencode

from django.contrib.auth.decorators import login_required
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe
from django.views.decorators.vary import vary_on_headers
from django_htmx.http import push_url

from shop.selectors.due_page import Beside, DuePage, due_page
from shop.selectors.due_search import SHOWN, Counted, DueChoices, DueSearch, due_choices, due_find
from shop.selectors.due_today import explained_in_parts
from shop.selectors.supplier_orders import lines_coming, units_waiting
from shop.web.csv_file import csv_response
from shop.web.rows import due_rows

ROWS_PER_PAGE = 50
AFTER, BEFORE = "after", "before"
CSV_HEADER = [
    "vehicle", "vehicle_name", "depot", "unit", "unit_model", "subject", "state", "overlays", "used_share", "clock",
    "opens_on", "due_on", "due_low_on", "due_high_on", "late_on", "book_by", "why",
]  # fmt: skip


@require_safe
@login_required
@vary_on_headers("HX-Request")
def due_list(request: HttpRequest) -> HttpResponse:
    """Show the due list; a filter changed with script running brings only the rows."""
    choices = due_choices(request.user)
    search = _search(request, choices)
    found = due_find(request.user, search)
    beside = _beside(request)
    page = due_page(found.lines, choices.depots, ROWS_PER_PAGE, beside)
    kept = _kept(search)
    waiting = units_waiting(request.user, lines_coming(request.user, beside=["order"]))
    first = _first_number(page, found.total)
    context = {
        "search": search,
        "choices": choices,
        "total": found.total,
        "shown": [(show, found.counts[show]) for show in choices.shown],
        "page": page,
        "first": first,
        "last": first + len(page.lines) - 1,
        "previous": page.previous and _address("due", kept + _page(page.previous)),
        "next": page.next and _address("due", kept + _page(page.next)),
        "rows": due_rows(page.lines, waiting),
        "kept": kept,
        "csv_address": _address("due_csv", kept),
    }
    if request.htmx and not request.htmx.history_restore_request:
        response = render(request, "shop/_due_found.html", context)
        return push_url(response, _address("due", kept + _page(beside)))
    return render(request, "shop/due.html", context)


@require_safe
@login_required
def due_csv(request: HttpRequest) -> HttpResponse:
    """Send all lines the filters keep as a CSV file."""
    found = due_find(request.user, _search(request, due_choices(request.user)))
    rows = (
        [
            line.vehicle.number, line.vehicle.name, line.vehicle.depot.code, line.unit.code,
            line.unit.unit_model.code, line.rule.subject, line.state, "; ".join(line.overlays), line.used_share,
            line.clock, line.opens_on, line.due_on, line.due_low_on, line.due_high_on, line.late_on, line.book_by,
            line.sentence,
        ]
        for line in explained_in_parts(found.lines)
    )  # fmt: skip
    return csv_response("due-list.csv", CSV_HEADER, rows)


def _search(request: HttpRequest, choices: DueChoices) -> DueSearch:
    """Read the filters from the address; a value that is none of the choices is left out."""

    def one_of(name: str, allowed: list[str]) -> str:
        value = request.GET.get(name, "")
        return value if value in allowed else ""

    return DueSearch(
        show=one_of("show", choices.shown) or SHOWN[0],
        depot=one_of("depot", [depot.code for depot in choices.depots]),
        overlay=one_of("overlay", choices.overlays),
        kind=one_of("kind", choices.kinds),
        only=one_of("only", choices.only),
        text=request.GET.get("text", "").replace("\x00", "").strip()[:80],
    )


def _kept(search: DueSearch) -> list[tuple[str, str]]:
    names = ("show", "depot", "overlay", "kind", "only", "text")
    return [
        (name, getattr(search, name))
        for name in names
        if getattr(search, name) and (name, getattr(search, name)) != ("show", SHOWN[0])
    ]


def _beside(request: HttpRequest) -> Beside | None:
    """Read from the address beside which line the page begins or ends; what we never gave is the first page."""
    for name in (AFTER, BEFORE):
        with suppress(signing.BadSignature):
            return Beside.read(request.GET.get(name, ""), is_back=name == BEFORE)
    return None


def _page(beside: Beside | None) -> list[tuple[str, str]]:
    if beside is None:
        return []
    return [(BEFORE if beside.is_back else AFTER, beside.text)]


def _first_number(page: DuePage, total: Counted) -> int:
    """Return the number of a page's first line, from 1; lines may have come and gone since the page before.

    Numbers never go beyond a total that is known, and the last page ends with it.
    """
    is_beyond = page.next is None or page.number + len(page.lines) > total.number
    if is_beyond and not total.is_more:
        return max(total.number - len(page.lines), 0) + 1
    return page.number + 1


def _address(name: str, query: list[tuple[str, str]]) -> str:
    return reverse(name) + (f"?{urlencode(query)}" if query else "")
