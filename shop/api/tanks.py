"""Bulk tanks: levels and months, dips, deliveries and issues."""

from collections.abc import Callable
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.base import Scoped, missing
from shop.api.filters import DipFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.permissions import RoleMay
from shop.api.serializers import tanks as shapes
from shop.selectors.stock import ordered_of, stock_items_of
from shop.selectors.tanks import dips_of, tanks_of, tanks_shown
from shop.services import tanks as service


class Tanks(APIView):
    """Tanks of new fluid."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("change unit data",)

    @extend_schema(tags=["tanks"], summary="Bulk tanks", responses=shapes.TankRow(many=True))
    def get(self, request: Request) -> Response:
        """List the tanks on the shelves that serve your depots, by the books and by dip."""
        return Response(shapes.TankRow(tanks_shown(tanks_of(request.user)), many=True).data)

    @extend_schema(
        tags=["tanks"], summary="Put a tank on record", parameters=[PARAMETER], request=shapes.TankGiven,
        responses=shapes.TankRow,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Make a stock item a tank, or let the tank it is stand as given."""
        given = body_as(request, shapes.TankGiven)
        item = stock_items_of(request.user).filter(pk=given["item"]).first()
        if item is None:
            raise ValidationError(
                {"item": f"There is no stock {given['item']} on the shelves of your depots."}
            )
        marks = tuple((mark["mm"], mark["litres"]) for mark in given["marks"])

        def work() -> tuple[int, Any]:
            report = service.TankReport(given["tank"], given["capacity_l"], given["name"], marks)
            service.tank_write(request.user, item, report)
            return 200, _row(request, given["tank"])

        return answered_once(request, work)


@extend_schema(tags=["tanks"])
class TankDips(Scoped, ListAPIView):
    """Dips of the tanks that serve your depots; rows are only ever added."""

    rows = dips_of
    order = ("-dipped_at", "-pk")
    needs = ("do", "plan")
    serializer_class = shapes.TankDipRow
    filterset_class = DipFilters

    @extend_schema(summary="Tank dips")
    def get(self, request: Request) -> Response:
        """List the dips, the newest first."""
        return self.list(request)

    @extend_schema(
        summary="Note a dip", parameters=[PARAMETER], request=shapes.DipGiven,
        responses={201: shapes.TankDipRow}, filters=False,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Note a dip in millimetres or litres; the books do not move by it."""
        given = body_as(request, shapes.DipGiven)
        code = given.pop("tank")
        tank = tanks_of(request.user).filter(code=code).first()
        if tank is None:
            raise ValidationError({"tank": f"There is no tank “{code}” in your depots."})
        return answered_once(
            request,
            lambda: (201, shapes.TankDipRow(service.tank_dip(request.user, tank, service.Dip(**given))).data),
        )


@extend_schema(tags=["tanks"])
class DipTakenAsCount(Scoped):
    """A dip's difference taken into the books."""

    rows = dips_of
    needs = ("plan", "close")
    what = "dip"
    serializer_class = shapes.CorrectionGiven

    @extend_schema(summary="Take a dip as a count", parameters=[PARAMETER], responses=shapes.TankDipRow)
    def post(self, request: Request, pk: int) -> Response:
        """Put the books right by the newest dip, once, and say why."""
        given = body_as(request, shapes.CorrectionGiven)

        def work() -> tuple[int, Any]:
            service.dip_take_as_count(request.user, self.get_object(), given["note"])
            return 200, shapes.TankDipRow(self.get_object()).data

        return answered_once(request, work)


@extend_schema(tags=["tanks"])
class TankIssue(GenericAPIView):
    """Litres drawn by the meter."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("do", "plan")
    serializer_class = shapes.IssueGiven

    @extend_schema(summary="Draw from a tank", parameters=[PARAMETER], responses={201: shapes.TankRow})
    def post(self, request: Request, code: str) -> Response:
        """Book litres the meter showed outside a job; closing a job books its own."""

        def book(tank: Any, given: dict[str, Any]) -> None:
            service.tank_issue(request.user, tank, given["litres"], given["note"])

        return _booked(request, code, self.serializer_class, book)


@extend_schema(tags=["tanks"])
class TankDelivery(GenericAPIView):
    """Litres delivered into a tank."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("plan",)
    serializer_class = shapes.DeliveryGiven

    @extend_schema(summary="Deliver into a tank", parameters=[PARAMETER], responses={201: shapes.TankRow})
    def post(self, request: Request, code: str) -> Response:
        """Book a delivery, against an order or without one."""

        def book(tank: Any, given: dict[str, Any]) -> None:
            order = None
            if given["order"] is not None:
                order = ordered_of(request.user).filter(pk=given["order"]).first()
                if order is None:
                    raise ValidationError({"order": f"There is no order {given['order']} for your shelves."})
            service.tank_delivery(request.user, tank, given["litres"], given["batch"], order, given["note"])

        return _booked(request, code, self.serializer_class, book)


def _booked(request: Request, code: str, shape: Any, book: Callable[[Any, dict[str, Any]], None]) -> Response:
    given = body_as(request, shape)
    tank = tanks_of(request.user).filter(code=code).first()
    if tank is None:
        raise missing("tank", code)

    def work() -> tuple[int, Any]:
        book(tank, given)
        return 201, _row(request, code)

    return answered_once(request, work)


def _row(request: Request, code: str) -> Any:
    return shapes.TankRow(tanks_shown(tanks_of(request.user).filter(code=code))[0]).data
