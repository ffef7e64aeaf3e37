"""Stock: packs, movements, goods in, batches and the pick list."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop import clock
from shop.api.base import Scoped, missing
from shop.api.filters import MovementFilters, StockFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.permissions import RoleMay
from shop.api.serializers import stock as shapes
from shop.selectors import stock as look
from shop.selectors.access import depots_of, jobs_of
from shop.selectors.store_rooms import room_warnings
from shop.selectors.units import unit_find
from shop.services import stock as ledger
from shop.services.goods_in import PacksIn, goods_in
from shop.services.reservations import reservation_free, reservation_make


@extend_schema(tags=["stock"], summary="Stock")
class StockList(Scoped, ListAPIView):
    """Packs on the shelves that serve your depots."""

    rows = look.stock_items_of
    order = ("product__code", "use_by", "pk")
    serializer_class = shapes.StockRow
    filterset_class = StockFilters


class StockSums(APIView):
    """What of each product is there, and what of it is free."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(tags=["stock"], summary="Stock by product", responses=shapes.StockSums(many=True))
    def get(self, request: Request) -> Response:
        """Return each product on each shelf that serves your depots, its sums apart."""
        return Response(shapes.StockSums(look.stock_of(request.user), many=True).data)


@extend_schema(tags=["stock"])
class MovementList(Scoped, ListAPIView):
    """The stock ledger; rows are only ever added."""

    rows = look.movements_of
    order = ("-moved_at", "-pk")
    needs = ("plan", "close")
    serializer_class = shapes.MovementRow
    filterset_class = MovementFilters

    @extend_schema(summary="Stock movements")
    def get(self, request: Request) -> Response:
        """List the movements, the newest first."""
        return self.list(request)

    @extend_schema(
        summary="Book a movement", parameters=[PARAMETER], request=shapes.MovementGiven,
        responses={201: shapes.StockRow(many=True)}, filters=False,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Count, write off, open, pour into a can, move to another shelf, or bring back from a job.

        The answer is the packs it touched, as they stand now.
        """
        given = body_as(request, shapes.MovementGiven)

        def work() -> tuple[int, Any]:
            touched = [item for item in _book(request, given) if item is not None]
            rows = (
                look.stock_items_of(request.user).filter(pk__in=[item.pk for item in touched]).order_by("pk")
            )
            return 201, [dict(row) for row in shapes.StockRow(rows, many=True).data]

        return answered_once(request, work)


def _book(request: Request, given: dict[str, Any]) -> tuple[Any, ...]:
    """Do a booking and return the packs it touched."""
    item = look.stock_items_of(request.user).filter(pk=given["item"]).first()
    if item is None:
        raise ValidationError({"item": f"There are no packs {given['item']} on the shelves of your depots."})
    person, what, litres = request.user, given["what"], given.get("litres", 0.0)
    today = clock.today(item.depot.time_zone)
    if what == "open":
        return item, ledger.stock_open(person, item, today)
    if what == "decant":
        return item, ledger.stock_decant(person, item, litres, given["label"], today)
    if what == "transfer":
        to = next((own for own in look.shelves_seen(person) if own.code == given["to"]), None)
        if to is None:
            raise ValidationError({"to": f"There is no shelf “{given['to']}” among those of your depots."})
        return item, ledger.stock_transfer(person, item, litres, to)
    if what == "return":
        job = jobs_of(person).filter(code=given["job"]).first()
        if job is None:
            raise ValidationError({"job": f"There is no job “{given['job']}” in your depots."})
        ledger.stock_return(person, item, litres, job, given["note"])
    elif what == "count":
        ledger.stock_count(person, item, litres, given["note"])
    else:
        ledger.stock_write_off(person, item, litres, given["note"])
    return (item,)


@extend_schema(tags=["stock"])
class GoodsIn(GenericAPIView):
    """Packs that arrive."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("plan",)
    serializer_class = shapes.GoodsGiven

    @extend_schema(summary="Take goods in", parameters=[PARAMETER], responses={201: shapes.GoodsTaken})
    def post(self, request: Request) -> Response:
        """Book arrived packs, against an order or without one: all of them or none."""
        given = body_as(request, shapes.GoodsGiven)
        depot = depots_of(request.user).filter(code=given["depot"]).select_related("stores_at").first()
        product = look.product_find(given["product"])
        order = look.ordered_of(request.user).filter(pk=given["order"]).first() if given["order"] else None
        wrong = {
            "depot": f"There is no depot “{given['depot']}” among yours." if depot is None else "",
            "product": f"There is no product “{given['product']}”." if product is None else "",
            "order": f"There is no order {given['order']} for your shelves."
            if given["order"] and not order
            else "",
        }
        if any(wrong.values()):
            raise ValidationError({name: text for name, text in wrong.items() if text})

        def work() -> tuple[int, Any]:
            items = goods_in(request.user, depot, product, [PacksIn(**own) for own in given["packs"]], order)
            if order is not None:
                order.refresh_from_db()
            body = {
                "items": items,
                "order_is_open": order.is_open if order else None,
                "outstanding_l": order.outstanding_l if order else None,
                "over_l": order.over_l if order else None,
                "room_warnings": room_warnings(items[0].depot, product.pk),
            }
            return 201, shapes.GoodsTaken(body).data

        return answered_once(request, work)


@extend_schema(tags=["stock"])
class Batch(APIView):
    """One batch of one product."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("plan", "close")

    @extend_schema(summary="Where a batch is and went", responses=shapes.BatchRow)
    def get(self, request: Request, product: str, batch: str) -> Response:
        """Return the packs left of a batch and every unit that had it."""
        return Response(shapes.BatchRow(look.batch_trace(request.user, _product(product), batch)).data)

    @extend_schema(
        summary="Set a batch aside or release it", parameters=[PARAMETER], request=shapes.BatchGiven,
        responses=shapes.BatchRow,
    )  # fmt: skip
    def post(self, request: Request, product: str, batch: str) -> Response:
        """Put the batch into quarantine in all your depots, or release it, and say why."""
        own = _product(product)
        given = body_as(request, shapes.BatchGiven)

        def work() -> tuple[int, Any]:
            is_released = given["what"] == "release"
            ledger.batch_set_aside(request.user, own, batch, given["note"], is_released=is_released)
            return 200, shapes.BatchRow(look.batch_trace(request.user, own, batch)).data

        return answered_once(request, work)


@extend_schema(tags=["stock"])
class ReservationList(Scoped, ListAPIView):
    """Litres promised to the next jobs of units."""

    rows = look.reservations_of
    order = ("product__code", "pk")
    needs = ("plan", "close")
    serializer_class = shapes.ReservationRow

    @extend_schema(summary="Reservations")
    def get(self, request: Request) -> Response:
        """List what is reserved on the shelves that serve your depots."""
        return self.list(request)

    @extend_schema(
        summary="Reserve fluid for a unit", parameters=[PARAMETER], request=shapes.ReservationGiven,
        responses={201: shapes.ReservationMade},
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Reserve the house fluid for the unit's next job; without litres, what its plan asks."""
        given = body_as(request, shapes.ReservationGiven)
        code = given["unit"]
        unit = unit_find(request.user, code)
        if unit is None:
            raise ValidationError({"unit": f"There is no unit “{code}” in your depots."})

        def work() -> tuple[int, Any]:
            made = reservation_make(request.user, unit, given.get("litres"))
            return 201, shapes.ReservationMade(made).data

        return answered_once(request, work)


@extend_schema(tags=["stock"])
class ReservationFreed(Scoped):
    """Reserved litres that others may have again."""

    rows = look.reservations_of
    needs = ("plan", "close")
    what = "reservation"
    serializer_class = shapes.FreeGiven

    @extend_schema(summary="Free a reservation", parameters=[PARAMETER], responses=shapes.ReservationRow)
    def post(self, request: Request, pk: int) -> Response:
        """Free it and say why."""
        given = body_as(request, shapes.FreeGiven)

        def work() -> tuple[int, Any]:
            own = self.get_object()
            reservation_free(request.user, own, given["note"])
            return 200, shapes.ReservationRow(own).data

        return answered_once(request, work)


class PickLists(APIView):
    """What to fetch for the jobs of a day."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["stock"],
        summary="Pick list",
        parameters=[shapes.DayAsked],
        responses=shapes.PickListRow(many=True),
    )
    def get(self, request: Request) -> Response:
        """Return, for each of your depots, what to fetch for booked jobs; tomorrow's unless a day is named."""
        asked = shapes.DayAsked(data=request.query_params)
        asked.is_valid(raise_exception=True)
        lists = look.pick_lists(request.user, asked.validated_data.get("day"))
        return Response(shapes.PickListRow(lists, many=True).data)


def _product(code: str) -> Any:
    own = look.product_find(code)
    if own is None:
        raise missing("product", code)
    return own
