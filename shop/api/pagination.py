"""Cursor paging over whatever order a selector gave: fast on any page, stable while rows are added."""

from typing import Any

from django.core import signing
from django.db.models import QuerySet
from rest_framework.exceptions import ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param
from rest_framework.views import APIView

from shop.selectors.keyset import KeysetOrder, Place, place_read, place_text

CURSOR = "cursor"
PAGE_SIZE = "page_size"


class Cursor(BasePagination):
    """Pages by the place of the last row shown, compared on every column of the order, which ends in a unique one.

    A view whose index needs it names `split`, as `KeysetOrder` takes it.
    """

    page_size = 50
    max_page_size = 500
    parameters = frozenset({CURSOR, PAGE_SIZE})

    def paginate_queryset(
        self, queryset: QuerySet[Any], request: Request, view: APIView | None = None
    ) -> list[Any]:
        """Return the rows after the cursor, at most one page of them."""
        self.request = request
        self.salt = f"cursor of {type(view).__name__}"
        order = KeysetOrder(queryset, getattr(view, "split", 0))
        size = self._size()
        rows = order.after(self._after(), size + 1)
        self.next_cursor = place_text(order.place_of(rows[size - 1]), self.salt) if len(rows) > size else None
        return rows[:size]

    def get_paginated_response(self, data: list[Any]) -> Response:
        """Return the rows and the address of the next page, null on the last one."""
        return Response({"next": self._next_address(), "results": data})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        """Describe the page for the OpenAPI document."""
        return {
            "type": "object",
            "required": ["next", "results"],
            "properties": {
                "next": {
                    "type": "string",
                    "nullable": True,
                    "format": "uri",
                    "description": "Address of the next page; null on the last.",
                },
                "results": schema,
            },
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        """Describe the two query parameters for the OpenAPI document."""
        return [
            {
                "name": CURSOR,
                "in": "query",
                "schema": {"type": "string"},
                "description": "Where to go on; taken from `next` of the page before.",
            },
            {
                "name": PAGE_SIZE,
                "in": "query",
                "schema": {
                    "type": "integer",
                    "minimum": 1,
                    "maximum": self.max_page_size,
                    "default": self.page_size,
                },
                "description": "Rows on a page.",
            },
        ]

    def _size(self) -> int:
        text = self.request.query_params.get(PAGE_SIZE, str(self.page_size))
        if not (
            text.isascii() and text.isdigit() and len(text) <= 4 and 1 <= int(text) <= self.max_page_size
        ):
            raise ValidationError(
                {
                    PAGE_SIZE: [
                        f"“{text}” is no page size; write a whole number from 1 to {self.max_page_size}."
                    ]
                }
            )
        return int(text)

    def _after(self) -> Place | None:
        text = self.request.query_params.get(CURSOR)
        if text is None:
            return None
        try:
            return place_read(text, self.salt)
        except signing.BadSignature as error:
            raise ValidationError(
                {CURSOR: ["This list never gave that cursor; start without one and follow “next”."]}
            ) from error

    def _next_address(self) -> str | None:
        if self.next_cursor is None:
            return None
        return replace_query_param(self.request.build_absolute_uri(), CURSOR, self.next_cursor)
