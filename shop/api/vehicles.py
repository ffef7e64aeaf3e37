"""Vehicles of the depots a person sees."""

from drf_spectacular.utils import extend_schema
from rest_framework.generics import ListAPIView, RetrieveAPIView

from shop.api.base import Scoped
from shop.api.filters import VehicleFilters
from shop.api.serializers.vehicles import VehicleDetail, VehicleRow
from shop.selectors.access import vehicles_of


@extend_schema(summary="Vehicles", tags=["vehicles"])
class VehicleList(Scoped, ListAPIView):
    """The vehicles of your depots, by number."""

    rows = vehicles_of
    serializer_class = VehicleRow
    filterset_class = VehicleFilters


@extend_schema(summary="One vehicle", tags=["vehicles"])
class VehicleOne(Scoped, RetrieveAPIView):
    """A vehicle with its meters, units, what holds work back and due lines."""

    rows = vehicles_of
    serializer_class = VehicleDetail
    what = "vehicle"
    related = (
        "meters",
        "fittings__unit__unit_model",
        "due_lines__rule",
        "due_lines__vehicle__depot",
        "due_lines__unit__unit_model",
    )
