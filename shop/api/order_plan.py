"""The order plan of the weeks ahead."""

from drf_spectacular.utils import extend_schema
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.serializers.order_plan import PlanAsked, ShelfPlanRow
from shop.planning.steps import finished
from shop.selectors.order_plan import order_plans


class OrderPlanAhead(APIView):
    """When to order what, for each shelf that serves your depots."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["ordering"], summary="Order plan", parameters=[PlanAsked], responses=ShelfPlanRow(many=True)
    )  # fmt: skip
    def get(self, request: Request) -> Response:
        """Plan the weeks ahead at least cost, with the bound no plan can go below. Nothing is stored or ordered."""
        asked = PlanAsked(data=request.query_params)
        asked.is_valid(raise_exception=True)
        plans = finished(order_plans(request.user, asked.validated_data["weeks"]))
        return Response(ShelfPlanRow(plans, many=True).data)
