"""Containers of old fluid, their movements, collections and balance."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.generics import ListAPIView
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.base import Scoped
from shop.api.filters import CollectionFilters, WasteMovementFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.permissions import RoleMay
from shop.api.serializers import wastes as shapes
from shop.selectors import wastes as look
from shop.selectors.access import depots_of
from shop.selectors.wastes_balance import balances_of
from shop.services import waste_collections as visits
from shop.services.wastes import ContainerReport, container_write, waste_dip, waste_pour


class Containers(APIView):
    """Containers of old fluid in your depots."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("change unit data",)

    @extend_schema(tags=["wastes"], summary="Waste containers", responses=shapes.ContainerRow(many=True))
    def get(self, request: Request) -> Response:
        """List them with level, filling rate and the day to call the collector."""
        shown = look.containers_shown(look.containers_of(request.user))
        return Response(shapes.ContainerRow(shown, many=True).data)

    @extend_schema(
        tags=["wastes"], summary="Put a waste container on record", parameters=[PARAMETER],
        request=shapes.ContainerGiven, responses=shapes.ContainerRow,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Add a depot's container for a stream, or let it stand as given; its level is not touched."""
        given = body_as(request, shapes.ContainerGiven)
        depot = _depot(request, given.pop("depot"))

        def work() -> tuple[int, Any]:
            tank = container_write(request.user, depot, ContainerReport(**given))
            return 200, shapes.ContainerRow(look.containers_shown([tank])[0]).data

        return answered_once(request, work)


@extend_schema(tags=["wastes"])
class WasteMovements(Scoped, ListAPIView):
    """What moved in the containers of your depots; rows are only ever added."""

    rows = look.waste_movements_of
    order = ("-moved_at", "-pk")
    needs = ("do", "plan", "close")
    serializer_class = shapes.WasteMovementRow
    filterset_class = WasteMovementFilters

    @extend_schema(summary="Waste movements")
    def get(self, request: Request) -> Response:
        """List the movements, the newest first."""
        return self.list(request)

    @extend_schema(
        summary="Book old fluid", parameters=[PARAMETER], request=shapes.WasteMovementGiven,
        responses={201: shapes.ContainerRow}, filters=False,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Pour into a container, or put its level right by a dip with a reason; the answer is the container."""
        given = body_as(request, shapes.WasteMovementGiven)
        tank = _containers(request, [given["container"]], "container")[given["container"]]

        def work() -> tuple[int, Any]:
            if given["what"] == "pour":
                waste_pour(request.user, tank, given["stream"], given["litres"], given["note"])
            else:
                waste_dip(request.user, tank, given["litres"], given["note"])
            tank.refresh_from_db()
            return 201, shapes.ContainerRow(look.containers_shown([tank])[0]).data

        return answered_once(request, work)


@extend_schema(tags=["wastes"])
class Collections(Scoped, ListAPIView):
    """The collector's visits to your depots."""

    rows = look.collections_of
    order = ("-called_on", "-pk")
    needs = ("plan",)
    serializer_class = shapes.CollectionRow
    filterset_class = CollectionFilters

    @extend_schema(summary="Waste collections")
    def get(self, request: Request) -> Response:
        """List the visits, the newest first."""
        return self.list(request)

    @extend_schema(
        summary="Call a collector", parameters=[PARAMETER], request=shapes.CallGiven,
        responses={201: shapes.CollectionRow}, filters=False,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Note that a collector was called for some containers of one depot."""
        given = body_as(request, shapes.CallGiven)
        depot = _depot(request, given["depot"])
        collector = look.collector_find(given["collector"])
        if collector is None:
            raise ValidationError({"collector": f"There is no collector “{given['collector']}”."})
        tanks = _containers(request, [line["container"] for line in given["lines"]], "lines")
        wanted = [(tanks[line["container"]], line["expected_l"]) for line in given["lines"]]

        def work() -> tuple[int, Any]:
            made = visits.collection_call(
                request.user, depot, collector, wanted, given["expected_on"], given["note"]
            )
            return 201, shapes.CollectionRow(made).data

        return answered_once(request, work)


class _OneVisit(Scoped):
    rows = look.collections_of
    what = "collection"


@extend_schema(tags=["wastes"])
class CollectionDone(_OneVisit):
    """A visit that was made."""

    needs = ("plan", "close")
    serializer_class = shapes.HandOverGiven

    @extend_schema(summary="Book a collection", parameters=[PARAMETER], responses=shapes.CollectionRow)
    def post(self, request: Request, pk: int) -> Response:
        """Note what was taken out of each container and the number of the paper; the levels go down."""
        given = body_as(request, shapes.HandOverGiven)

        def work() -> tuple[int, Any]:
            visit = self.get_object()
            lines = {line.tank_id: line.pk for line in visit.lines.all()}
            unknown = [one["container"] for one in given["lines"] if one["container"] not in lines]
            if unknown:
                raise ValidationError({"lines": f"Container {unknown[0]} is not part of this visit."})
            taken = {
                lines[one["container"]]: visits.Taken(one["collected_l"], one["weighed_kg"])
                for one in given["lines"]
            }
            paper = visits.HandOver(given["paper_number"], given["collected_on"], given["receipt"])
            visits.collection_done(request.user, visit, taken, paper)
            return 200, shapes.CollectionRow(self.get_object()).data

        return answered_once(request, work)


@extend_schema(tags=["wastes"])
class CollectionCancelled(_OneVisit):
    """A visit that will not be made."""

    needs = ("plan",)
    serializer_class = shapes.CollectionCancelGiven

    @extend_schema(summary="Cancel a collection", parameters=[PARAMETER], responses=shapes.CollectionRow)
    def post(self, request: Request, pk: int) -> Response:
        """Cancel it and say why; its containers may be called for again."""
        given = body_as(request, shapes.CollectionCancelGiven)

        def work() -> tuple[int, Any]:
            visits.collection_cancel(request.user, self.get_object(), given["note"])
            return 200, shapes.CollectionRow(self.get_object()).data

        return answered_once(request, work)


class Balance(APIView):
    """Whether the litres filled come back."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(tags=["wastes"], summary="Waste balance", responses=shapes.BalanceRow(many=True))
    def get(self, request: Request) -> Response:
        """Return, for each container, filled less lost top-ups against drained and gathered, by month."""
        return Response(shapes.BalanceRow(balances_of(request.user), many=True).data)


def _depot(request: Request, code: str) -> Any:
    depot = depots_of(request.user).filter(code=code).first()
    if depot is None:
        raise ValidationError({"depot": f"There is no depot “{code}” among yours."})
    return depot


def _containers(request: Request, pks: list[int], field: str) -> dict[int, Any]:
    """Return the containers named by their key. field: where they were named."""
    found = {tank.pk: tank for tank in look.containers_of(request.user).filter(pk__in=pks)}
    for pk in pks:
        if pk not in found:
            raise ValidationError({field: f"There is no container {pk} in your depots."})
    if len(found) < len(pks):
        raise ValidationError({field: "A container is named twice; give each once."})
    return found
