"""The bench: what a method would do to a unit or to a card typed out. Nothing is stored."""

from drf_spectacular.utils import extend_schema
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.serializers.bench import BenchAnswer, BenchAsked
from shop.selectors.bench import bench_data, bench_of
from shop.selectors.bench_request import read_request


class Bench(APIView):
    """One question to the exchange model."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["bench"], summary="Try a method on a card", request=BenchAsked, responses={200: BenchAnswer}
    )
    def post(self, request: Request) -> Response:
        """Plan every method, try one, and give curves, stages, drain, stick and first fill.

        Name a unit, or type a card with at least its total fill. 422 names every figure that cannot be used.
        """
        return Response(bench_data(bench_of(read_request(request.data), request.user)))
