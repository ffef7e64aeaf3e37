"""Cursor paging over whatever order a selector gave: fast on any page, stable while rows are added."""

import datetime
from collections.abc import Sequence
from typing import Any

from django.core import signing
from django.db.models import F, OrderBy, Q, QuerySet
from rest_framework.exceptions import ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param
from rest_framework.views import APIView

CURSOR = "cursor"
PAGE_SIZE = "page_size"


class Cursor(BasePagination):
    """Pages by the place of the last row shown, compared on every column of the order.

    The order must end in a unique column. Columns named plainly are never null; of those given as expressions
    the empty ones come last.
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
        keys = [_order_key(order) for order in queryset.query.order_by or ("pk",)]
        names = [f"key_{place}" for place in range(len(keys))]
        queryset = queryset.annotate(**{name: key.expression for name, key in zip(names, keys, strict=True)})
        after = self._after()
        if after is not None:
            queryset = queryset.filter(_beyond(names, keys, after))
        size = self._size()
        rows = list(queryset.order_by(*keys)[: size + 1])
        self.next_cursor = self._mark(rows[size - 1], names) if len(rows) > size else None
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

    def _after(self) -> list[Any] | None:
        text = self.request.query_params.get(CURSOR)
        if text is None:
            return None
        try:
            values: list[Any] = signing.loads(text, salt=self.salt)
        except signing.BadSignature as error:
            raise ValidationError(
                {CURSOR: ["This list never gave that cursor; start without one and follow “next”."]}
            ) from error
        return values

    def _mark(self, row: Any, names: Sequence[str]) -> str:
        values = [getattr(row, name) for name in names]
        plain = [value.isoformat() if isinstance(value, datetime.date) else value for value in values]
        return signing.dumps(plain, salt=self.salt, compress=True)

    def _next_address(self) -> str | None:
        if self.next_cursor is None:
            return None
        return replace_query_param(self.request.build_absolute_uri(), CURSOR, self.next_cursor)


def _order_key(order: str | OrderBy | Any) -> OrderBy:
    """Turn a name or expression of an order into an OrderBy that says where empty values go."""
    if isinstance(order, str):
        name = order.removeprefix("-")
        return OrderBy(F(name), descending=order.startswith("-"))
    key = order.copy() if isinstance(order, OrderBy) else OrderBy(order)
    key.nulls_first, key.nulls_last = None, True
    return key


def _beyond(names: Sequence[str], keys: Sequence[OrderBy], after: Sequence[Any]) -> Q:
    """Build the condition “further on than these values”: equal on some first keys, beyond on the next."""
    beyond, same = Q(pk__in=[]), Q()
    for name, key, value in zip(names, keys, after, strict=True):
        if value is None:
            same &= Q((f"{name}__isnull", True))
            continue
        step = Q((f"{name}__{'lt' if key.descending else 'gt'}", value))
        if key.nulls_last:
            step |= Q((f"{name}__isnull", True))
        beyond |= same & step
        same &= Q((name, value))
    return beyond
