"""What was learned from jobs, and laboratory samples: listing, recording, accepting, declining."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped, missing
from shop.api.filters import ProposalFilters, SampleFilters
from shop.api.keyed import PARAMETER, answered_once, body_as
from shop.api.serializers import learning as shapes
from shop.selectors.access import depots_of, jobs_of
from shop.selectors.learning import proposals_of
from shop.selectors.samples import samples_of
from shop.services.learning_proposals import proposal_decide
from shop.services.samples import SampleReport, sample_decide, sample_record


class _Proposals(Scoped):
    rows = proposals_of
    serializer_class = shapes.ProposalRow
    what = "proposal"

    def get_serializer_context(self) -> dict[str, Any]:
        """Add the depots whose jobs may be named."""
        context = super().get_serializer_context()
        if not getattr(self, "swagger_fake_view", False):
            context["depots"] = set(depots_of(self.request.user).values_list("code", flat=True))
        return context


@extend_schema(summary="Learned figures", tags=["learning"])
class ProposalList(_Proposals, ListAPIView):
    """Learned figures of unit cards and tools, those that wait for a person and the decided ones, newest first."""

    order = ("-proposed_on", "-pk")
    filterset_class = ProposalFilters


@extend_schema(tags=["learning"])
class ProposalAnswered(_Proposals, GenericAPIView):
    """A person's decision on a learned figure."""

    needs = ("change unit data",)

    @extend_schema(
        summary="Accept or decline a learned figure",
        parameters=[PARAMETER],
        request=shapes.Answer,
        responses=shapes.ProposalRow,
    )
    def post(self, request: Request, pk: int) -> Response:
        """Accept, which writes the figure as learned, or decline; decided once, it stays decided."""
        proposal = self.get_object()
        choice = _choice(request)

        def work() -> tuple[int, Any]:
            done = proposal_decide(proposal, choice == "accept", request.user)
            return 200, shapes.ProposalRow(done, context=self.get_serializer_context()).data

        return answered_once(request, work)


@extend_schema(tags=["learning"])
class SampleList(Scoped, ListAPIView):
    """Laboratory samples of jobs of your depots."""

    rows = samples_of
    order = ("-taken_on", "-pk")
    needs = ("do",)
    serializer_class = shapes.SampleRow
    filterset_class = SampleFilters

    @extend_schema(summary="Laboratory samples")
    def get(self, request: Request) -> Response:
        """List samples, the latest first."""
        return self.list(request)

    @extend_schema(
        summary="Record a laboratory sample",
        parameters=[PARAMETER],
        request=shapes.SampleGiven,
        responses={201: shapes.SampleRow},
    )
    def post(self, request: Request) -> Response:
        """Record what a laboratory found; the same report again brings the same sample."""
        values = body_as(request, shapes.SampleGiven)
        code = values.pop("job")
        job = (
            jobs_of(request.user)
            .filter(code=code)
            .select_related("unit__unit_model__product", "product", "jug")
            .first()
        )
        if job is None:
            raise missing("job", code)
        return answered_once(
            request,
            lambda: (201, shapes.SampleRow(sample_record(request.user, job, SampleReport(**values))).data),
        )


@extend_schema(tags=["learning"])
class SampleAnswered(Scoped, GenericAPIView):
    """A person's decision on a sample."""

    rows = samples_of
    needs = ("change unit data",)
    serializer_class = shapes.SampleRow
    what = "sample"

    @extend_schema(
        summary="Accept or decline a sample",
        parameters=[PARAMETER],
        request=shapes.Answer,
        responses=shapes.SampleRow,
    )
    def post(self, request: Request, pk: int) -> Response:
        """Accept, which moves the job's fresh share to the measured one, or decline."""
        sample = self.get_object()
        choice = _choice(request)
        return answered_once(
            request,
            lambda: (200, shapes.SampleRow(sample_decide(sample, choice == "accept", request.user)).data),
        )


def _choice(request: Request) -> str:
    given = body_as(request, shapes.Answer)
    return str(given["answer"])
