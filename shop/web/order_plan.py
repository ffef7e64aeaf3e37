"""The order plan: what to order in which of the weeks ahead, with its pictures."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.views.decorators.http import require_safe

from shop.planning.pack_costs import KEEPING_SHARE_PER_YEAR
from shop.planning.steps import finished
from shop.selectors.order_plan import (
    HOUSE_ORDER_COST,
    LEAST_WEEKS,
    MOST_WEEKS,
    WEEKS,
    FluidShown,
    OrderShown,
    RoomShown,
    ShelfPlan,
    order_plans,
)
from shop.web.csv_file import csv_response
from shop.web.page_in_steps import page_in_steps
from shop.web.plain_form import PlainForm
from shop.web.xlsx_file import xlsx_response

CSV_HEADER = [
    "depot", "supplier", "order_by", "arrives_by", "product", "product_name", "litres", "packs", "price", "currency",
    "why",
]  # fmt: skip
WIDTH, LEFT, ROW, TOP = 720.0, 120.0, 44.0, 26.0
LEVEL_HEIGHT, LEVEL_TOP = 90.0, 14.0


class WeeksForm(PlainForm):
    """How far to look ahead."""

    weeks = forms.IntegerField(
        label="Weeks ahead", min_value=LEAST_WEEKS, max_value=MOST_WEEKS, required=False,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "class": "figure"}),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mark:
    """One order on the time line."""

    x: float
    y: float
    height: float
    words: str
    order: OrderShown


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One week of one fluid, as the table and the bars show it."""

    begins_on: date
    taken_l: float
    bought_l: float
    shelf_l: float
    guard_l: float
    x: float
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class FluidPicture:
    """One fluid with its weeks; `guard_points` draw what has to stand there at least."""

    fluid: FluidShown
    rows: list[WeekRow]
    bar: float
    most_l: float
    guard_points: str


@dataclass(frozen=True, slots=True)
class RoomWeek:
    """One week of a shared room, as the table and the bars show it."""

    begins_on: date
    full_l: float
    left_l: float
    over_l: float
    x: float
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class RoomPicture:
    """One shared room with its weeks; limit_y: where the line of its limit runs."""

    shown: RoomShown
    rows: list[RoomWeek]
    bar: float
    most_l: float
    limit_y: float


@require_safe
@login_required
def order_plan(request: HttpRequest) -> StreamingHttpResponse:
    """Show the plan of each shelf, and before it how far the work is."""
    form = WeeksForm(request.GET)
    context = {
        "form": form, "weeks": _weeks(form), "house_order_cost": HOUSE_ORDER_COST,
        "keeping_share": KEEPING_SHARE_PER_YEAR,
    }  # fmt: skip
    return page_in_steps(
        request,
        "shop/order_plan.html",
        context,
        order_plans(request.user, _weeks(form)),
        "shop/_order_plan.html",
        _shown,
    )


def _shown(plans: list[ShelfPlan]) -> dict[str, Any]:
    shown = [
        (own, _time_line(own), _pictures(own), [_room_picture(room, own.begins) for room in own.rooms])
        for own in plans
    ]
    return {"shown": shown, "width": WIDTH, "left": LEFT}


@require_safe
@login_required
def order_plan_csv(request: HttpRequest) -> HttpResponse:
    """Send the planned orders as a CSV file, a row for each product of each order."""
    plans = finished(order_plans(request.user, _weeks(WeeksForm(request.GET))))
    return csv_response("order-plan.csv", CSV_HEADER, _cells(plans))


@require_safe
@login_required
def order_plan_xlsx(request: HttpRequest) -> HttpResponse:
    """Send the planned orders as a spreadsheet."""
    plans = finished(order_plans(request.user, _weeks(WeeksForm(request.GET))))
    return xlsx_response("order-plan.xlsx", CSV_HEADER, _cells(plans))


def _weeks(form: WeeksForm) -> int:
    return (form.cleaned_data["weeks"] or WEEKS) if form.is_valid() else WEEKS


def _cells(plans: list[ShelfPlan]) -> Iterator[list[Any]]:
    for plan in plans:
        for order in plan.orders:
            for own in order.lots:
                packs = "; ".join(f"{count} × {pack.label}" for pack, count in own.lot.packs)
                yield [
                    plan.depot.code, order.supplier.name, order.order_by, order.arrives_by, own.product.code,
                    own.product.name, round(own.lot.litres, 3), packs, round(own.lot.price, 2), plan.depot.currency,
                    own.why,
                ]  # fmt: skip


def _time_line(plan: ShelfPlan) -> dict[str, Any]:
    """Place each order on its supplier's row, as high as it is dear."""
    names = list(dict.fromkeys(order.supplier.name for order in plan.orders))
    step = (WIDTH - LEFT) / len(plan.begins)
    dearest = max((order.value for order in plan.orders), default=1.0) or 1.0
    marks = []
    for order in plan.orders:
        floor = TOP + ROW * (names.index(order.supplier.name) + 1) - 6.0
        height = round(6.0 + (ROW - 20.0) * order.value / dearest, 1)
        x = round(LEFT + step * order.week + step * 0.15, 1)
        marks.append(Mark(x, round(floor - height, 1), height, f"{order.litres:.0f} L", order))
    months = [
        (round(LEFT + step * week, 1), f"{begin:%b}")
        for week, begin in enumerate(plan.begins)
        if week and begin.month != plan.begins[week - 1].month
    ]
    rows = [(TOP + ROW * (place + 1) - 6.0, name) for place, name in enumerate(names)]
    height = TOP + ROW * max(1, len(names)) + 4.0
    return {"marks": marks, "months": months, "rows": rows, "height": height, "bar": round(step * 0.7, 1)}


def _pictures(plan: ShelfPlan) -> list[FluidPicture]:
    """Draw the shelf of each fluid that buys something or may run short."""
    return [
        _picture(own, plan.begins) for own in plan.fluids if own.lots or own.cannot_say or own.unmet_l.any()
    ]


def _picture(fluid: FluidShown, begins: tuple[date, ...]) -> FluidPicture:
    step = (WIDTH - LEFT) / len(begins)
    guard_l = fluid.required_l - fluid.need.drawn_l
    most_l = max(1.0, float(fluid.shelf_l.max()), float(guard_l.max()))
    scale = LEVEL_HEIGHT / most_l
    rows = []
    for week, begin in enumerate(begins):
        shelf_l = float(fluid.shelf_l[week])
        height = round(max(0.0, shelf_l) * scale, 1)
        x, y = round(LEFT + step * week, 1), round(LEVEL_TOP + LEVEL_HEIGHT - height, 1)
        rows.append(
            WeekRow(
                begin, float(fluid.need.mean_l[week]), fluid.bought_l(week), shelf_l, float(guard_l[week]), x, y, height
            )
        )  # fmt: skip
    points = " ".join(
        f"{row.x:g},{LEVEL_TOP + LEVEL_HEIGHT - row.guard_l * scale:.1f} "
        f"{row.x + step:.1f},{LEVEL_TOP + LEVEL_HEIGHT - row.guard_l * scale:.1f}"
        for row in rows
    )
    return FluidPicture(fluid, rows, round(step * 0.8, 1), most_l, points)


def _room_picture(shown: RoomShown, begins: tuple[date, ...]) -> RoomPicture:
    room, step = shown.room, (WIDTH - LEFT) / len(begins)
    most_l = max(room.most_l, float(room.full_l.max()))
    scale = LEVEL_HEIGHT / most_l
    rows = []
    for week, begin in enumerate(begins):
        full_l, over_l = float(room.full_l[week]), float(room.over_l[week])
        height, x = round(full_l * scale, 1), round(LEFT + step * week, 1)
        y = round(LEVEL_TOP + LEVEL_HEIGHT - height, 1)
        rows.append(RoomWeek(begin, full_l, room.most_l - full_l, over_l, x, y, height))
    limit_y = round(LEVEL_TOP + LEVEL_HEIGHT - room.most_l * scale, 1)
    return RoomPicture(shown, rows, round(step * 0.8, 1), most_l, limit_y)
