"""Units of the depots a person sees, their exchange plans and their jobs."""

from typing import Any

from django.db.models import F, QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.generics import GenericAPIView, ListAPIView, RetrieveAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped, missing
from shop.api.filters import UnitFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers.exchange import ExchangePlanRow, TargetAsked
from shop.api.serializers.jobs import JobClosed, JobGiven, JobRow
from shop.api.serializers.units import UnitDetail, UnitRow
from shop.selectors.access import due_lines_of, jobs_of, units_of
from shop.selectors.due_today import explained
from shop.selectors.exchange import plan_for_unit
from shop.selectors.fluid_checks import CoolantAsked, brake_check, coolant_sum
from shop.selectors.fluids import product_figures
from shop.selectors.units import HISTORY_ROWS, stages_of, unit_find
from shop.services.jobs import JobReport, job_close


@extend_schema(summary="Units", tags=["units"])
class UnitList(Scoped, ListAPIView):
    """The units fitted to vehicles of your depots, by code."""

    rows = units_of
    order = ("code",)
    related = ("fittings__vehicle__depot",)
    serializer_class = UnitRow
    filterset_class = UnitFilters


@extend_schema(summary="One unit", tags=["units"])
class UnitOne(Scoped, RetrieveAPIView):
    """A unit with its fluid, its allowed methods and its due lines."""

    rows = units_of
    serializer_class = UnitDetail
    what = "unit"
    related = (
        "unit_model__product",
        "fittings__vehicle__depot",
        "last_services__product",
        "due_lines__rule",
        "due_lines__vehicle__depot",
        "due_lines__unit__unit_model",
    )


@extend_schema(tags=["units"])
class ExchangePlan(Scoped, GenericAPIView):
    """How to renew the fluid of a unit."""

    rows = units_of
    serializer_class = UnitRow
    what = "unit"

    @extend_schema(summary="Exchange plan of a unit", parameters=[TargetAsked], responses=ExchangePlanRow)
    def get(self, request: Request, code: str) -> Response:
        """Plan every allowed method to a target share; the maker's data and licensed people come first."""
        asked = TargetAsked(data=request.query_params)
        asked.is_valid(raise_exception=True)
        unit = unit_find(request.user, code)
        if unit is None:
            raise missing(self.what, code)
        typed = asked.validated_data
        found = plan_for_unit(unit, typed.get("target_share"))
        jobs = list(jobs_of(request.user).filter(unit=unit)[:HISTORY_ROWS])
        product = unit.unit_model.product
        plans = found.plans
        body = {
            "unit": unit.code,
            "cannot_say": found.cannot_say,
            "target_share": found.target_share,
            "is_reason_asked": plans is not None and plans.is_reason_asked,
            "best": found.best,
            "stages": stages_of(found),
            "runner_up": found.runner_up,
            "choice": found.choice,
            "plans": plans.plans if plans is not None else (),
            "parts": found.parts,
            "figures": found.figures,
            "product_figures": () if product is None else product_figures(product),
            "coolant": coolant_sum(found, jobs, CoolantAsked(
                typed.get("strength_found_share"), typed.get("strength_wanted_share"), typed.get("drained_l")
            )),
            "brakes": brake_check(found, jobs),
        }  # fmt: skip
        return Response(ExchangePlanRow(body, context={"spreads": found.spreads}).data)


@extend_schema(tags=["units"])
class UnitJobs(Scoped, ListAPIView):
    """Jobs of a unit."""

    rows = jobs_of
    order = (F("done_on").desc(nulls_last=True), "-pk")
    related = ("product", "unit__unit_model__product", "tray", "jug", "scale", "stick")
    needs = ("close",)
    serializer_class = JobRow

    def get_queryset(self) -> QuerySet[Any]:
        """Return the unit's jobs on vehicles of the person's depots."""
        jobs = super().get_queryset()
        if not getattr(self, "swagger_fake_view", False):
            if unit_find(self.request.user, self.kwargs["code"]) is None:
                raise missing("unit", self.kwargs["code"])
            jobs = jobs.filter(unit__code=self.kwargs["code"])
        return jobs

    @extend_schema(summary="Jobs of a unit")
    def get(self, request: Request, code: str) -> Response:
        """List the jobs of a unit: the last finished first, then what is booked."""
        return self.list(request, code=code)

    @extend_schema(
        summary="Close a job", parameters=[PARAMETER], request=JobGiven, responses={201: JobClosed}
    )
    def post(self, request: Request, code: str) -> Response:
        """Record a finished job; the answer says how old the fluid is now and when the unit falls due next."""
        unit = unit_find(request.user, code)
        if unit is None:
            raise missing("unit", code)
        given = body_as(request, JobGiven)

        def work() -> tuple[int, Any]:
            job = job_close(request.user, unit, JobReport(**given))
            kept = {
                "job": job,
                "last_services": unit.last_services.select_related("product").order_by("subject"),
                "due_lines": explained(
                    due_lines_of(request.user).filter(unit=unit).order_by("rule__subject", "pk")
                ),
            }
            return 201, JobClosed(kept).data

        return answered_once(request, work)
