"""The due list."""

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.generics import ListAPIView

from shop.api.base import Scoped
from shop.api.filters import DueFilters
from shop.api.serializers.due import DueRow
from shop.selectors.access import due_lines_of
from shop.selectors.due import SPLIT_ORDER, in_working_order
from shop.selectors.due_today import explained


@extend_schema(summary="Due list", tags=["due list"])
class DueList(Scoped, ListAPIView):
    """What falls due in your depots, in working order: what must not move first, then the latest."""

    rows = due_lines_of
    split = SPLIT_ORDER
    serializer_class = DueRow
    filterset_class = DueFilters

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """Return the filtered lines in working order."""
        return in_working_order(super().filter_queryset(queryset))

    def paginate_queryset(self, queryset: QuerySet[Any]) -> Any:
        """Return one page, brought to today."""
        return explained(super().paginate_queryset(queryset) or [])
