"""The morning board."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shop.selectors.board import board_for
from shop.selectors.supplier_orders import late_lines, lines_coming, units_waiting
from shop.web.pictures import tank_bar
from shop.web.rows import due_rows


@require_safe
@login_required
def board(request: HttpRequest) -> HttpResponse:
    """Show what a depot has to know at 05:30."""
    found = board_for(request.user)
    coming = lines_coming(request.user)
    waiting = units_waiting(request.user, coming)
    tanks = [
        (item, tank_bar(item.tank.level_l, item.tank.capacity_l, item.call.call_level_l))
        for item in found.tanks
    ]
    return render(
        request,
        "shop/board.html",
        {
            "board": found,
            "soon": due_rows(found.soon.rows, waiting),
            "unknown": due_rows(found.unknown.rows),
            "stale": due_rows(found.stale.rows),
            "tanks": tanks,
            "late": late_lines(coming, waiting),
        },
    )
