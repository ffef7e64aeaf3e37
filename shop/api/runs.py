"""Daily runs: what ran, and asking for one."""

import datetime
from typing import Any

from celery import current_app
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from kombu.exceptions import OperationalError
from rest_framework.exceptions import ValidationError
from rest_framework.generics import ListAPIView, RetrieveAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop import clock
from shop.api.base import Scoped
from shop.api.errors import QueueUnreachable
from shop.api.filters import RunFilters
from shop.api.keyed import body_as
from shop.api.serializers.runs import RunRow, RunStarted, RunWanted
from shop.selectors.access import depots_of, runs_of
from shop.services.daily_run import refuse_earlier_day

DAILY_RUN = "notifications.tasks.daily_run"


@extend_schema(tags=["daily runs"])
class RunList(Scoped, ListAPIView):
    """Daily runs of your depots."""

    rows = runs_of
    order = ("-as_of", "depot__code", "pk")
    needs = ("plan",)
    serializer_class = RunRow
    filterset_class = RunFilters

    @extend_schema(summary="Daily runs")
    def get(self, request: Request) -> Response:
        """List daily runs, the latest day first."""
        return self.list(request)

    @extend_schema(summary="Start a daily run", request=RunWanted, responses={202: RunStarted})
    def post(self, request: Request) -> Response:
        """Start a depot's run for a day. A run that is through already is not done twice."""
        given = body_as(request, RunWanted)
        code = given["depot"]
        depot = depots_of(request.user).filter(code=code).first()
        if depot is None:
            raise ValidationError({"depot": [f"There is no depot “{code}” among yours; check the code."]})
        today = clock.today(depot.time_zone)
        as_of = given.get("as_of", today)
        if as_of > today:
            raise ValidationError({"as_of": [f"{as_of} lies ahead; write {today} or an earlier day."]})
        refuse_earlier_day(depot, as_of)
        _start(depot.code, as_of)
        address = reverse("api:daily-run", args=[depot.code, as_of])
        body = {"depot": depot.code, "as_of": as_of, "address": request.build_absolute_uri(address)}
        return Response(RunStarted(body).data, status=202, headers={"Location": body["address"]})


@extend_schema(summary="One daily run", tags=["daily runs"])
class RunOne(Scoped, RetrieveAPIView):
    """A depot's run for a day, with the steps it has behind it."""

    rows = runs_of
    serializer_class = RunRow
    what = "daily run"

    def get_object(self) -> Any:
        """Return the run of the depot and day in the address."""
        self.kwargs = {"depot__code": self.kwargs["depot"], "as_of": self.kwargs["as_of"]}
        return super().get_object()


def _start(depot_code: str, as_of: datetime.date) -> None:
    """Hand the run to the queue; without a broker it runs here and now."""
    current_app.loader.import_default_modules()
    try:
        current_app.tasks[DAILY_RUN].delay(depot_code, as_of.isoformat())
    except OperationalError as error:
        raise QueueUnreachable from error
