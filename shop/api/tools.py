"""Measuring tools: trays, jugs, scales and sticks."""

from drf_spectacular.utils import extend_schema
from rest_framework.generics import ListAPIView, RetrieveAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped
from shop.api.filters import ToolFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers.learning import ToolGiven, ToolRow
from shop.selectors.measuring import tools_of
from shop.services.tools import ToolReport, tool_write


@extend_schema(tags=["tools"])
class ToolList(Scoped, ListAPIView):
    """Measuring tools of your depots."""

    rows = tools_of
    order = ("code",)
    needs = ("change unit data",)
    serializer_class = ToolRow
    filterset_class = ToolFilters

    @extend_schema(summary="Measuring tools")
    def get(self, request: Request) -> Response:
        """List the tools by code."""
        return self.list(request)

    @extend_schema(
        summary="Put a measuring tool on record", parameters=[PARAMETER], request=ToolGiven, responses=ToolRow
    )
    def post(self, request: Request) -> Response:
        """Add a tool, or let the one of this code stand as given; the same again changes nothing."""
        given = body_as(request, ToolGiven)
        return answered_once(
            request, lambda: (200, ToolRow(tool_write(request.user, ToolReport(**given))).data)
        )


@extend_schema(summary="One measuring tool", tags=["tools"])
class ToolOne(Scoped, RetrieveAPIView):
    """A tray, jug, scale or stick."""

    rows = tools_of
    serializer_class = ToolRow
    what = "tool"
