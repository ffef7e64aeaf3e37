"""Deferrals and recalls: looking, signing, ending; entering and closing."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped, missing
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers import holds as shapes
from shop.selectors.access import units_of
from shop.selectors.deferrals import deferral_sight, deferrals_of, line_of
from shop.selectors.recall_views import recall_views
from shop.selectors.recalls import recall_open_on, recalls_of
from shop.services.deferrals import DeferralReport, deferral_asked, deferral_end, deferral_sign
from shop.services.recalls import ClosingReport, RecallReport, recall_close, recall_enter


@extend_schema(summary="Deferrals", tags=["holds"])
class DeferralList(Scoped, ListAPIView):
    """Signed deferrals of your vehicles, the newest first, those that are over too."""

    rows = deferrals_of
    order = ("-from_day", "-pk")
    serializer_class = shapes.DeferralRow


@extend_schema(tags=["holds"])
class UnitDeferrals(Scoped, GenericAPIView):
    """Putting a due line of a unit off."""

    rows = units_of
    needs = ("change unit data",)
    serializer_class = shapes.DeferralRow
    what = "unit"

    @extend_schema(
        summary="Put a due line off",
        parameters=[PARAMETER],
        request=shapes.DeferralGiven,
        responses={200: shapes.SightRow, 201: shapes.DeferralRow},
    )
    def post(self, request: Request, code: str) -> Response:
        """Say where the line will stand on the day it comes back; sign it unless only a look is asked for."""
        unit = self.get_object()
        typed = body_as(request, shapes.DeferralGiven)
        line = line_of(request.user, unit, typed["subject"])
        if line is None:
            raise missing("due line", f"{code} {typed['subject']}")

        def work() -> tuple[int, Any]:
            asked = deferral_asked(line, typed["until"], typed["until_total"])
            if typed["only_look"]:
                return 200, shapes.SightRow(deferral_sight(line, asked)).data
            report = DeferralReport(asked, typed["reason"], typed["signed_by"], typed["answers_for"])
            return 201, shapes.DeferralRow(deferral_sign(request.user, line, report)).data

        return answered_once(request, work)


@extend_schema(tags=["holds"])
class DeferralEnded(Scoped, GenericAPIView):
    """A deferral ended before its day."""

    rows = deferrals_of
    needs = ("change unit data",)
    serializer_class = shapes.DeferralRow
    what = "deferral"

    @extend_schema(
        summary="End a deferral early",
        parameters=[PARAMETER],
        request=shapes.WhyGiven,
        responses=shapes.DeferralRow,
    )
    def post(self, request: Request, pk: int) -> Response:
        """End it today; it stays on the list with who ended it and why."""
        hold = self.get_object()
        given = body_as(request, shapes.WhyGiven)
        return answered_once(
            request, lambda: (200, shapes.DeferralRow(deferral_end(request.user, hold, given["why"])).data)
        )


class _Recalls(Scoped):
    rows = recalls_of
    serializer_class = shapes.RecallRow
    what = "recall"

    def answer(self, codes: set[str] | None = None) -> list[dict[str, Any]]:
        """Return recalls as JSON, all or some."""
        return [
            shapes.recall_row(view)
            for view in recall_views(self.request.user)
            if codes is None or view.recall.code in codes
        ]


@extend_schema(tags=["holds"])
class RecallList(_Recalls, GenericAPIView):
    """Recalls and bulletins; never complete, the maker's or the authority's word counts."""

    needs = ("plan",)
    filter_backends = ()
    pagination_class = None

    @extend_schema(summary="Recalls", responses=shapes.RecallRow(many=True))
    def get(self, request: Request) -> Response:
        """List the recalls with your vehicles they are open and closed on, the newest first."""
        return Response(self.answer())

    @extend_schema(
        summary="Enter a recall",
        parameters=[PARAMETER],
        request=shapes.RecallGiven,
        responses={201: shapes.RecallRow},
    )
    def post(self, request: Request) -> Response:
        """Put a notice on record; what it holds back is held from its day on."""
        typed = body_as(request, shapes.RecallGiven)
        for name in ("unit_models", "vehicles"):
            typed[name] = tuple(typed[name])

        def work() -> tuple[int, Any]:
            recall = recall_enter(request.user, RecallReport(**typed))
            return 201, self.answer({recall.code})[0]

        return answered_once(request, work)


@extend_schema(tags=["holds"])
class RecallClosed(_Recalls, GenericAPIView):
    """A recall closed on one vehicle."""

    needs = ("plan", "close")

    @extend_schema(
        summary="Close a recall on a vehicle",
        parameters=[PARAMETER],
        request=shapes.ClosingGiven,
        responses=shapes.RecallRow,
    )
    def post(self, request: Request, code: str, number: str) -> Response:
        """Close it with who, when and how; the hold goes with it."""
        found = recall_open_on(request.user, code, number)
        if found is None:
            raise missing("recall", f"{code} on {number}")
        given = body_as(request, shapes.ClosingGiven)

        def work() -> tuple[int, Any]:
            recall_close(request.user, *found, ClosingReport(**given))
            return 200, self.answer({code})[0]

        return answered_once(request, work)
