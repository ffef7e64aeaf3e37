"""Orders with suppliers: draft, place, follow, and the order's sheet as a file."""

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from django.utils.http import content_disposition_header
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView, RetrieveAPIView
from rest_framework.permissions import IsAuthenticated
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.base import Scoped, missing
from shop.api.filters import SupplierOrderFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers import supplier_orders as shapes
from shop.selectors.order_draft import draft_checked, order_draft, packs_of, shelf_of
from shop.selectors.order_sheet import order_csv, order_pdf
from shop.selectors.supplier_orders import supplier_orders_of, supplier_shown
from shop.selectors.suppliers import supplier_find
from shop.services.goods_in import order_give_up
from shop.services.supplier_orders import (
    OrderAsked,
    order_cancel,
    order_chase,
    order_mail_again,
    order_place,
)


class _Orders(Scoped):
    rows = supplier_orders_of
    order = ("-placed_at", "-pk")
    needs = ("plan",)
    serializer_class = shapes.SupplierOrderRow
    what = "order"


@extend_schema(tags=["ordering"])
class SupplierOrderList(_Orders, ListAPIView):
    """Orders placed for the shelves that serve your depots."""

    filterset_class = SupplierOrderFilters

    @extend_schema(summary="Placed orders")
    def get(self, request: Request) -> Response:
        """List the orders, the newest first."""
        return self.list(request)

    @extend_schema(
        summary="Place an order", parameters=[PARAMETER], request=shapes.OrderGiven,
        responses={200: shapes.SupplierOrderRow, 201: shapes.SupplierOrderRow}, filters=False,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Place the order a draft is to become; the same draft placed again brings the same order, with 200."""
        given = body_as(request, shapes.OrderGiven)
        depot = shelf_of(request.user, given.pop("depot"))
        supplier = supplier_find(given.pop("supplier"))
        wrong = {
            "depot": "There is no such shelf among those of your depots." if depot is None else "",
            "supplier": "There is no such supplier." if supplier is None else "",
        }
        if any(wrong.values()):
            raise ValidationError({name: text for name, text in wrong.items() if text})
        packs = _packs(supplier, given.pop("packs"))

        def work() -> tuple[int, Any]:
            placed = order_place(request.user, depot, supplier, OrderAsked(packs=packs, **given))
            row = supplier_orders_of(request.user).get(pk=placed.order.pk)
            return 201 if placed.is_new else 200, shapes.SupplierOrderRow(row).data

        return answered_once(request, work)


def _packs(supplier: Any, given: list[dict[str, Any]]) -> list[tuple[Any, int]]:
    """Find the supplier's packs by product and print."""
    sold = packs_of(supplier)
    unknown = [
        f"{own['product']} {own['pack']}" for own in given if (own["product"], own["pack"]) not in sold
    ]
    if unknown:
        raise ValidationError(
            {"packs": f"{supplier.name} does not sell {', '.join(unknown)}; see the draft."}
        )
    return [(sold[own["product"], own["pack"]], own["count"]) for own in given]


@extend_schema(tags=["ordering"], summary="One order")
class SupplierOrderOne(_Orders, RetrieveAPIView):
    """One order with its lines."""


class _OrderAction(_Orders, GenericAPIView):
    """Something a person does to one order; answers the order as it is afterwards."""

    given: ClassVar[type[Any]]
    act: ClassVar[Callable[..., Any]]

    def post(self, request: Request, number: str) -> Response:
        """Do it once."""
        order = self.get_object()
        given = body_as(request, self.given)

        def work() -> tuple[int, Any]:
            type(self).act(request.user, order, **given)
            return 200, shapes.SupplierOrderRow(self.get_object()).data

        return answered_once(request, work)


@extend_schema(
    tags=["ordering"], summary="Cancel an order", parameters=[PARAMETER], request=shapes.CancelGiven,
    responses=shapes.SupplierOrderRow,
)  # fmt: skip
class OrderCancelled(_OrderAction):
    """Cancel an order of which nothing has come; a mail tells the supplier where an address is known, else you do."""

    given = shapes.CancelGiven
    act = order_cancel


@extend_schema(
    tags=["ordering"], summary="Note a new day for an order", parameters=[PARAMETER], request=shapes.ChaseGiven,
    responses=shapes.SupplierOrderRow,
)  # fmt: skip
class OrderChased(_OrderAction):
    """Note the day the supplier named when asked for what is late."""

    given = shapes.ChaseGiven
    act = order_chase


def _give_up(person: Any, order: Any, line: int, note: str) -> None:
    own = order.lines.filter(pk=line).first()
    if own is None:
        raise ValidationError({"line": f"{order.number} has no line {line}."})
    order_give_up(person, own, note)


@extend_schema(
    tags=["ordering"], summary="Give up the rest of a line", parameters=[PARAMETER], request=shapes.GiveUpGiven,
    responses=shapes.SupplierOrderRow,
)  # fmt: skip
class LineGivenUp(_OrderAction):
    """Close a line of which the rest will not come; the need for it shows on the ordering list again."""

    given = shapes.GiveUpGiven
    act = _give_up


@extend_schema(
    tags=["ordering"], summary="Send an order's mail again", parameters=[PARAMETER], request=None,
    responses=shapes.SupplierOrderRow,
)  # fmt: skip
class OrderMailedAgain(_OrderAction):
    """Put a mail that failed or is unsure back into the outbox."""

    given = shapes.NothingGiven
    act = order_mail_again


class _FileRenderer(BaseRenderer):
    def render(
        self, data: bytes, accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> bytes:  # fmt: skip
        """Return the file."""
        return data


class PdfRenderer(_FileRenderer):
    """A PDF file."""

    media_type = "application/pdf"
    format = "pdf"
    charset = None


class CsvFileRenderer(_FileRenderer):
    """A CSV file (RFC 4180)."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"


class _Sheet(_Orders, GenericAPIView):
    def _file(self, content: bytes, ending: str) -> Response:
        answer = Response(content)
        answer["Content-Disposition"] = content_disposition_header(True, f"{self.kwargs['number']}.{ending}")
        return answer


@extend_schema(tags=["ordering"])
class OrderPdf(_Sheet):
    """The order's sheet."""

    renderer_classes = (PdfRenderer,)

    @extend_schema(summary="An order as PDF", responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    def get(self, request: Request, number: str) -> Response:
        """Return the sheet as it goes to the supplier."""
        return self._file(order_pdf(self.get_object()), "pdf")


@extend_schema(tags=["ordering"])
class OrderCsv(_Sheet):
    """The order's rows."""

    renderer_classes = (CsvFileRenderer,)

    @extend_schema(summary="An order as CSV", responses={(200, "text/csv"): OpenApiTypes.STR})
    def get(self, request: Request, number: str) -> Response:
        """Return one row per pack size, UTF-8, with a header row."""
        return self._file(order_csv(self.get_object()).encode(), "csv")


class OrderDraftOne(APIView):
    """The next order of a shelf with a supplier."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(tags=["ordering"], summary="Draft of an order", responses=shapes.DraftRow)
    def get(self, request: Request, depot: str, supplier: str) -> Response:
        """Return the packs proposed and all others the supplier sells, his terms and his next cut-off."""
        shelf, own = shelf_of(request.user, depot), supplier_find(supplier)
        if shelf is None:
            raise missing("shelf", depot)
        if own is None:
            raise missing("supplier", supplier)
        draft = order_draft(shelf, own)
        check = draft_checked(draft, [(row.pack, row.count) for row in draft.packs])
        return Response(shapes.DraftRow({"draft": draft, "check": check}).data)


class SupplierOne(APIView):
    """One supplier."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(tags=["ordering"], summary="A supplier", responses=shapes.SupplierRow)
    def get(self, request: Request, code: str) -> Response:
        """Return terms and punctuality, learned from all depots' orders that are over."""
        own = supplier_find(code)
        if own is None:
            raise missing("supplier", code)
        return Response(shapes.SupplierRow(supplier_shown(request.user, own)).data)
