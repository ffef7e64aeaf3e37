"""Meters of a vehicle, their changes, and readings keyed for the wrong vehicle."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.base import Scoped, missing
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.permissions import RoleMay
from shop.api.serializers import meters as shapes
from shop.api.serializers.readings import ReadingRow
from shop.selectors.access import readings_of
from shop.selectors.meters import MeterShown, meter_changes_of, meters_shown
from shop.selectors.units import vehicle_find
from shop.services.meter_changes import meter_change_enter, meter_change_withdraw
from shop.services.readings import reading_move


@extend_schema(tags=["readings"])
class VehicleMeters(APIView):
    """The meters of one vehicle."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(summary="Meters of a vehicle", responses=shapes.MeterHistoryRow(many=True))
    def get(self, request: Request, number: str) -> Response:
        """Return each meter with its changes and latest readings, raw and true apart."""
        return Response(shapes.MeterHistoryRow(_shown(request, number), many=True).data)


@extend_schema(tags=["readings"])
class MeterChanges(APIView):
    """Changes of the meters of one vehicle."""

    permission_classes = (IsAuthenticated, RoleMay)
    needs = ("plan", "close")

    @extend_schema(
        summary="Note a meter's change", parameters=[PARAMETER], request=shapes.MeterChangeGiven,
        responses={201: shapes.MeterChangeDone},
    )  # fmt: skip
    def post(self, request: Request, number: str) -> Response:
        """Note that a meter was replaced or rolled over; readings, jobs and due dates move with it."""
        given = body_as(request, shapes.MeterChangeGiven)
        kind = given.pop("meter")
        meter = next((own.meter for own in _shown(request, number) if own.meter.kind == kind), None)
        if meter is None:
            raise ValidationError({"meter": f"{number} has no meter “{kind}”; name one it has."})

        def work() -> tuple[int, Any]:
            done = meter_change_enter(request.user, meter, **given)
            return 201, shapes.MeterChangeDone(done).data

        return answered_once(request, work)


@extend_schema(tags=["readings"])
class MeterChangeTakenBack(Scoped):
    """A change that was noted wrongly."""

    rows = meter_changes_of
    needs = ("plan", "close")
    what = "meter change"
    serializer_class = shapes.WithdrawGiven

    @extend_schema(
        summary="Take a meter's change back", parameters=[PARAMETER], responses=shapes.MeterChangeDone
    )
    def post(self, request: Request, pk: int) -> Response:
        """Take it back and say why; the totals return to what they were."""
        given = body_as(request, shapes.WithdrawGiven)

        def work() -> tuple[int, Any]:
            change = self.get_object()
            number = change.pk
            done = meter_change_withdraw(request.user, change, given["note"])
            done.change.pk = number
            return 200, shapes.MeterChangeDone(done).data

        return answered_once(request, work)


@extend_schema(tags=["readings"])
class ReadingMoved(Scoped):
    """A reading that was taken off another vehicle."""

    rows = readings_of
    needs = ("do", "plan")
    what = "reading"
    serializer_class = shapes.OtherVehicle

    @extend_schema(
        summary="Move a reading to its vehicle", parameters=[PARAMETER], responses={201: ReadingRow}
    )
    def post(self, request: Request, pk: int) -> Response:
        """Refuse it where it was keyed and judge it on the vehicle named; the answer is the new reading."""
        given = body_as(request, shapes.OtherVehicle)
        wanted = given["vehicle"]
        vehicle = vehicle_find(request.user, wanted)
        if vehicle is None:
            raise ValidationError({"vehicle": f"There is no vehicle “{wanted}” in your depots."})
        return answered_once(
            request, lambda: (201, ReadingRow(reading_move(self.get_object(), vehicle, request.user)).data)
        )


def _shown(request: Request, number: str) -> list[MeterShown]:
    shown = meters_shown(request.user, number)
    if shown is None:
        raise missing("vehicle", number)
    return shown
