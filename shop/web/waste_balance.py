"""The monthly balance of each waste stream."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shop.selectors.wastes_balance import balances_of
from shop.web.level_pictures import months_picture


@require_safe
@login_required
def waste_balance(request: HttpRequest) -> HttpResponse:
    """Show what should have come back against what did, by month and container."""
    shown = [
        (
            own,
            months_picture(
                [
                    (month, found.figures.expected_l, found.figures.gathered_l, found.is_to_look_at)
                    for month, found in own.months
                ]
            ),
        )
        for own in balances_of(request.user)
    ]
    return render(request, "shop/waste_balance.html", {"shown": shown})
