"""Fluids: the fewest products, jug or drum, and a plan to change from one to another. Nothing is stored."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import NotFound
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.serializers.fluids import (
    FewestAnswer,
    FewestQuery,
    PacksAnswer,
    PacksQuery,
    ReplaceAnswer,
    ReplaceQuery,
    ShelfLevelAnswer,
    ShelfLevelQuery,
)
from shop.errors import InputError
from shop.selectors.change_over import change_plan
from shop.selectors.fewest import fewest_of
from shop.selectors.pack_choice import PacksAsked, packs_compared
from shop.selectors.shelf_levels import shelf_levels
from shop.selectors.stock import product_find


class FewestFluids(APIView):
    """The smallest set of products for the fleet."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(tags=["fluids"], summary="Fewest fluids", parameters=[FewestQuery], responses=FewestAnswer)
    def get(self, request: Request) -> Response:
        """Give the set, who would get what on which approval, and what a year of it saves.

        Approvals and mixing are the unit maker's and the fluid supplier's word.
        """
        query = FewestQuery(data=request.query_params)
        query.is_valid(raise_exception=True)
        return Response(FewestAnswer(fewest_of(request.user, query.asked())).data)


class FluidPacks(APIView):
    """A product's sizes side by side."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["fluids"], summary="Jug, drum or tank", parameters=[PacksQuery], responses=PacksAnswer
    )
    def get(self, request: Request, code: str) -> Response:
        """Give what a year costs in each size, from how many litres it pays, and which is emptied in time."""
        query = PacksQuery(data=request.query_params)
        query.is_valid(raise_exception=True)
        asked = PacksAsked(**query.validated_data)
        return Response(PacksAnswer(packs_compared(request.user, _product(code), asked)).data)


class FluidReplaced(APIView):
    """A plan to change from one product to another."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["fluids"], summary="Plan a change of fluid", parameters=[ReplaceQuery], responses=ReplaceAnswer
    )
    def get(self, request: Request, code: str) -> Response:
        """Give the stock used up, which jobs take which, what to rinse, and the steps with their days."""
        query = ReplaceQuery(data=request.query_params)
        query.is_valid(raise_exception=True)
        old, by = _product(code), query.validated_data["by"]
        new = product_find(by)
        if new is None:
            text = f"There is no product “{by}”; see the stock or products.csv."
            raise InputError(text, fields={"by": text})
        plan = change_plan(request.user, old, new, query.validated_data["hoses_l"])
        return Response(ReplaceAnswer(plan).data)


class ShelfLevels(APIView):
    """Standing levels of what is used steadily."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["fluids"], summary="Shelf levels", parameters=[ShelfLevelQuery], responses=ShelfLevelAnswer(many=True)
    )  # fmt: skip
    def get(self, request: Request) -> Response:
        """Give with how many packs left to order how many, what that rests on, or why there is no level."""
        query = ShelfLevelQuery(data=request.query_params)
        query.is_valid(raise_exception=True)
        code = query.validated_data["product"]
        product = _product(code) if code else None
        return Response(
            ShelfLevelAnswer(
                shelf_levels(request.user, query.validated_data["look"], product), many=True
            ).data
        )


def _product(code: str) -> Any:
    own = product_find(code)
    if own is None:
        raise NotFound(f"There is no product “{code}”; look for it under stock.")
    return own
