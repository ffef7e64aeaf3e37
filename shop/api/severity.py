"""How hard a unit's duty is: what counts now and why, factors, temperature hours."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped, missing
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers import severity as shapes
from shop.selectors.access import units_of
from shop.selectors.severity_page import SeverityPage, factors_of, severity_page
from shop.services.severity import (
    FactorReport,
    factor_add,
    factor_end,
    measured_use,
    temperature_hours_record,
)


class _OfUnit(Scoped, GenericAPIView):
    rows = units_of
    needs = ("change unit data",)
    serializer_class = shapes.SeverityRow
    what = "unit"

    def page(self, code: str) -> SeverityPage:
        """Return the unit's severity; another depot's unit is as unknown as none."""
        page = severity_page(self.request.user, code)
        if page is None:
            raise missing("unit", code)
        return page

    def answer(self, code: str) -> dict[str, Any]:
        """Return the severity as JSON."""
        return shapes.severity_row(self.page(code))


@extend_schema(tags=["severity"])
class UnitSeverity(_OfUnit):
    """A unit's severity."""

    @extend_schema(summary="Severity of a unit", responses=shapes.SeverityRow)
    def get(self, request: Request, code: str) -> Response:
        """Return what counts today and why, the run as driven, factors, hours and what they propose."""
        return Response(self.answer(code))

    @extend_schema(
        summary="Add a severity factor",
        parameters=[PARAMETER],
        request=shapes.FactorGiven,
        responses={201: shapes.SeverityRow},
    )
    def post(self, request: Request, code: str) -> Response:
        """Add a duty factor from a day on; the unit's dates follow."""
        page = self.page(code)
        given = body_as(request, shapes.FactorGiven)

        def work() -> tuple[int, Any]:
            factor_add(request.user, page.unit, FactorReport(**given))
            return 201, self.answer(code)

        return answered_once(request, work)


@extend_schema(tags=["severity"])
class TemperatureMonth(_OfUnit):
    """Running hours of a unit by fluid temperature."""

    @extend_schema(
        summary="Put a month of temperature hours on record",
        parameters=[PARAMETER],
        request=shapes.HoursGiven,
        responses=shapes.SeverityRow,
    )
    def post(self, request: Request, code: str) -> Response:
        """Take a month's hours in place of what was there for it; they propose, a person takes it up."""
        page = self.page(code)
        typed = body_as(request, shapes.HoursGiven)

        def work() -> tuple[int, Any]:
            bands = {band["temp_c"]: band["hours"] for band in typed["bands"]}
            temperature_hours_record(request.user, page.unit, typed["month"], bands, typed["unseen_h"])
            return 200, self.answer(code)

        return answered_once(request, work)


@extend_schema(tags=["severity"])
class MeasuredTaken(_OfUnit):
    """The severity the temperature hours propose."""

    @extend_schema(
        summary="Take up the measured severity",
        parameters=[PARAMETER],
        request=None,
        responses=shapes.SeverityRow,
    )
    def post(self, request: Request, code: str) -> Response:
        """Use the proposed step, or go back to the duty factors where the sensor sees too little."""
        page = self.page(code)

        def work() -> tuple[int, Any]:
            measured_use(request.user, page.unit)
            return 200, self.answer(code)

        return answered_once(request, work)


@extend_schema(tags=["severity"])
class FactorEnded(Scoped, GenericAPIView):
    """The end of a severity factor."""

    rows = factors_of
    needs = ("change unit data",)
    serializer_class = shapes.FactorRow
    what = "severity factor"

    @extend_schema(
        summary="End a severity factor",
        parameters=[PARAMETER],
        request=shapes.EndGiven,
        responses=shapes.FactorRow,
    )
    def post(self, request: Request, pk: int) -> Response:
        """End it on a day; what was driven before keeps it."""
        factor = self.get_object()
        given = body_as(request, shapes.EndGiven)
        return answered_once(
            request, lambda: (200, shapes.FactorRow(factor_end(request.user, factor, given["ends_on"])).data)
        )
