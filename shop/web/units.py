"""The pages of one unit and of one vehicle."""

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from intervals.exchange.card import STOP_RULES
from intervals.exchange.methods import METHODS
from shop.selectors.fluid_checks import product_to_reserve_l
from shop.selectors.learning import drains_against_card
from shop.selectors.samples import samples_of_unit
from shop.selectors.supplier_orders import lines_coming, units_waiting
from shop.selectors.units import UnitPage, unit_page, vehicle_page
from shop.web.forms import CoolantForm
from shop.web.pictures import parcel_parts, share_parts
from shop.web.rows import due_rows
from shop.web.stock_forms import FreeForm, ReserveForm

NO_SUCH_UNIT = "There is no unit “{}” in your depots. Look for it in the due list."
NO_SUCH_VEHICLE = "There is no vehicle “{}” in your depots. Look for it in the due list."


@require_safe
@login_required
def unit(request: HttpRequest, code: str) -> HttpResponse:
    """Show what to do with a unit, why, the numbers and the history."""
    coolant_form = CoolantForm(request.GET or None)
    coolant_form.is_valid()
    page = unit_page(request.user, code, coolant_form.asked())
    if page is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    plans, best = page.plan.plans, page.plan.best
    return render(
        request,
        "shop/unit.html",
        {
            "page": page,
            "coolant_form": coolant_form,
            "vehicle": page.vehicle,
            "depot": page.vehicle.depot,
            "rows": due_rows(page.lines, units_waiting(request.user, lines_coming(request.user))),
            "fills": [
                (last, parcel_parts(last.parcels) or share_parts(last.fresh_share))
                for last in page.last_services
            ],
            "best": best,
            "others": [plan for plan in plans.plans if plan != best] if plans is not None else [],
            "cautions": METHODS[best.method].cautions if best is not None else (),
            "stop_rules": STOP_RULES if page.stages else (),
            "drains": drains_against_card(request.user, page.unit, page.plan.card),
            "samples": samples_of_unit(request.user, page.unit),
            **_reserving(request, page),
        },
    )


def _reserving(request: HttpRequest, page: UnitPage) -> dict[str, object]:
    wanted_l = product_to_reserve_l(page.plan)
    litres = "" if wanted_l is None else f"{round(wanted_l, 2):g}"
    return {
        "may_reserve": request.user.can("plan") or request.user.can("close"),
        "reserve_form": ReserveForm(initial={"litres": litres}),
        "free_form": FreeForm(),
    }


@require_safe
@login_required
def vehicle(request: HttpRequest, number: str) -> HttpResponse:
    """Show a vehicle, its units and what falls due on them."""
    page = vehicle_page(request.user, number)
    if page is None:
        raise Http404(NO_SUCH_VEHICLE.format(number))
    rows = due_rows(page.lines, units_waiting(request.user, lines_coming(request.user)))
    return render(request, "shop/vehicle.html", {"page": page, "vehicle": page.vehicle, "rows": rows})
