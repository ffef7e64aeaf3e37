"""How good the forecasts are, measured on the fleet's own history."""

from dataclasses import dataclass

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from intervals.forecast import Backtest
from shop.selectors.forecasts import FleetTest, fleet_test

KINDS = {"odometer": "odometers", "engine hours": "hour meters", "power take-off hours": "power take-offs"}
WIDTH, LEFT, ROW, BAR = 420.0, 118.0, 54.0, 12.0


@dataclass(frozen=True, slots=True)
class BarShown:
    """One way of forecasting at one lead, as a bar."""

    y: float
    width: float
    words: str
    name: str


@dataclass(frozen=True, slots=True)
class LeadShown:
    """The bars of one lead."""

    months: int
    test: Backtest
    y: float
    bars: tuple[BarShown, ...]


@require_safe
@login_required
def forecasts(request: HttpRequest) -> HttpResponse:
    """Show how far past forecasts would have been off, by lead, beside two naive ways."""
    kind = request.GET.get("meter", "odometer")
    found = fleet_test(request.user, kind if kind in KINDS else "odometer")
    shown = _bars(found)
    height = max(1.0, len(shown)) * ROW + 8.0
    context = {"found": found, "kinds": KINDS, "shown": shown, "left": LEFT, "height": height}
    return render(request, "shop/forecasts.html", context)


def _bars(found: FleetTest) -> list[LeadShown]:
    most = max(
        (score.mae_days for _, test in found.leads for score in (test.score, *test.rivals.values())),
        default=1.0,
    )
    shown = []
    for place, (months, test) in enumerate(found.leads):
        ways = {"forecast": test.score, "12 months": test.rivals["mean_12_months"],
                "last two": test.rivals["last_two_readings"]}  # fmt: skip
        bars = tuple(
            BarShown(
                round(place * ROW + row * (BAR + 3.0) + 4.0, 1),
                round((WIDTH - LEFT - 60.0) * score.mae_days / most, 1),
                f"{score.mae_days:.1f}",
                name,
            )
            for row, (name, score) in enumerate(ways.items())
        )
        shown.append(LeadShown(months, test, place * ROW, bars))
    return shown
