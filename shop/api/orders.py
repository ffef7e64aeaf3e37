"""The ordering list, as JSON and as a file for a spreadsheet."""

from collections.abc import Mapping
from typing import Any

from django.db.models import Case, F, IntegerField, Value, When
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.generics import ListAPIView
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped
from shop.api.filters import OrderFilters
from shop.api.serializers.orders import OrderRow
from shop.selectors.access import proposed_lines_of
from shop.selectors.csv_text import csv_lines
from shop.selectors.orders import WHEN

COLUMNS = [name for name in OrderRow.Meta.fields if name != "facts"]
MOST_URGENT_FIRST = (
    Case(*[When(when=when, then=Value(place)) for place, when in enumerate(WHEN)],
         default=Value(len(WHEN)), output_field=IntegerField()),
    F("latest_order_day").asc(nulls_last=True),
    "product__code",
    "pk",
)  # fmt: skip


class CsvRenderer(BaseRenderer):
    """Rows as comma-separated values (RFC 4180); no text can act as a formula in a spreadsheet."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"

    def render(
        self,
        data: list[Mapping[str, Any]],
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        """Return the file."""
        return "".join(csv_lines(COLUMNS, ([row[name] for name in COLUMNS] for row in data))).encode()


@extend_schema(summary="Ordering list", tags=["ordering"])
class OrderList(Scoped, ListAPIView):
    """What to order for the shelves that serve your depots, the most urgent first."""

    rows = proposed_lines_of
    order = MOST_URGENT_FIRST
    serializer_class = OrderRow
    filterset_class = OrderFilters


@extend_schema(tags=["ordering"])
class OrderSheet(Scoped, ListAPIView):
    """The same list as a file."""

    rows = proposed_lines_of
    order = MOST_URGENT_FIRST
    serializer_class = OrderRow
    filterset_class = OrderFilters
    pagination_class = None
    renderer_classes = (CsvRenderer,)

    @extend_schema(
        summary="Ordering list as CSV",
        responses={(200, "text/csv"): OpenApiTypes.STR},
        filters=True,
    )
    def get(self, request: Request) -> Response:
        """Return the whole list as comma-separated values, UTF-8, with a header row."""
        answer = self.list(request)
        answer["Content-Disposition"] = 'attachment; filename="order-list.csv"'
        return answer
