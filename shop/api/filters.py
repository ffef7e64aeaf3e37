"""Query parameters of the lists; one nobody knows is refused, so that a slip never widens an answer."""

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.settings import api_settings
from rest_framework.views import APIView

from shop.models import (
    CardProposal,
    DailyRun,
    FluidSample,
    MeasuringTool,
    Meter,
    Reading,
    StockMovement,
    SupplierOrder,
    UnitModel,
    WasteCollection,
    WasteMovement,
)
from shop.models.due import STATES
from shop.selectors.due import OVERLAYS, needs_action
from shop.selectors.due_search import with_overlay
from shop.selectors.orders import WHEN


class StrictFilters(filters.DjangoFilterBackend):
    """Filters by the view's filter set and refuses any other parameter."""

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: APIView) -> QuerySet[Any]:
        """Return the filtered rows."""
        filter_set = self.get_filterset_class(view, queryset)
        known = set(filter_set.base_filters) if filter_set else set()
        if (paginator := getattr(view, "paginator", None)) is not None:
            known |= paginator.parameters
        known.add(api_settings.URL_FORMAT_OVERRIDE)
        for name in request.query_params:
            if name not in known:
                allowed = ", ".join(sorted(known - {api_settings.URL_FORMAT_OVERRIDE}))
                raise ValidationError({name: [f"“{name}” is no filter of this list; allowed are {allowed}."]})
        return super().filter_queryset(request, queryset, view)


def _choices(values: list[str]) -> list[tuple[str, str]]:
    return [(value, value) for value in values]


class VehicleFilters(filters.FilterSet):
    """Vehicles by depot and kind."""

    depot = filters.CharFilter("depot__code", label="Depot code.")
    kind = filters.CharFilter("kind", label="Kind of vehicle.")


class UnitFilters(filters.FilterSet):
    """Units by where they are and what they are."""

    depot = filters.CharFilter(method="by_depot", label="Depot code.")
    vehicle = filters.CharFilter(method="by_vehicle", label="Vehicle number.")
    model = filters.CharFilter("unit_model__code", label="Code of the unit model.")
    kind = filters.ChoiceFilter(
        field_name="unit_model__kind", choices=UnitModel.Kind.choices, label="Kind of unit."
    )

    def by_depot(self, units: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep the units fitted now to vehicles of the depot."""
        return units.filter(fittings__removed_on__isnull=True, fittings__vehicle__depot__code=value)

    def by_vehicle(self, units: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep the units fitted now to the vehicle."""
        return units.filter(fittings__removed_on__isnull=True, fittings__vehicle__number=value)


class ReadingFilters(filters.FilterSet):
    """Readings by vehicle, meter and status."""

    vehicle = filters.CharFilter("meter__vehicle__number", label="Vehicle number.")
    meter = filters.ChoiceFilter(field_name="meter__kind", choices=Meter.Kind.choices, label="Kind of meter.")
    status = filters.ChoiceFilter(
        choices=Reading.Status.choices, label="Accepted, asked (set aside with a question) or refused."
    )


class DueFilters(filters.FilterSet):
    """Due lines by state, what lies over it, place, kind and day."""

    state = filters.MultipleChoiceFilter(choices=_choices(STATES), label="State; may be given several times.")
    overlay = filters.ChoiceFilter(
        method="by_overlay", choices=_choices(OVERLAYS), label="What lies over the state."
    )
    depot = filters.CharFilter("vehicle__depot__code", label="Depot code.")
    vehicle = filters.CharFilter("vehicle__number", label="Vehicle number.")
    kind = filters.ChoiceFilter(
        field_name="unit__unit_model__kind", choices=UnitModel.Kind.choices, label="Kind of unit."
    )
    falls_due_before = filters.DateFilter("due_on", "lt", label="Falls due before this day; no date, no row.")
    needs_action = filters.BooleanFilter(
        method="by_action", label="true: only lines somebody has to do or answer something about."
    )

    def by_overlay(self, lines: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep the lines the overlay lies on."""
        return with_overlay(lines, value)

    def by_action(self, lines: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        """Keep the lines that need somebody, or with false those that do not."""
        wanted = needs_action(lines)
        return wanted if value else lines.exclude(pk__in=wanted.values("pk"))


class OrderFilters(filters.FilterSet):
    """Lines of the ordering list by shelf, urgency, product and supplier."""

    depot = filters.CharFilter("depot__code", label="Depot code of the shelf.")
    when = filters.ChoiceFilter(choices=_choices(WHEN), label="How soon to order.")
    product = filters.CharFilter("product__code", label="Product code.")
    supplier = filters.CharFilter("supplier__code", label="Supplier code.")


class SupplierOrderFilters(filters.FilterSet):
    """Placed orders by shelf, supplier and state."""

    depot = filters.CharFilter("depot__code", label="Depot code of the shelf.")
    supplier = filters.CharFilter("supplier__code", label="Supplier code.")
    state = filters.ChoiceFilter(choices=SupplierOrder.State.choices, label="State of the order.")


class ProposalFilters(filters.FilterSet):
    """Proposals by what they are about and whether they wait."""

    state = filters.ChoiceFilter(choices=CardProposal.State.choices, label="proposed waits for a person.")
    unit_model = filters.CharFilter("unit_model__code", label="Code of the unit model.")
    tool = filters.CharFilter("tool__code", label="Code of the measuring tool.")
    figure = filters.CharFilter("figure", label="Name of the figure, e.g. quick_drain_l.")


class SampleFilters(filters.FilterSet):
    """Laboratory samples by unit, job and state."""

    unit = filters.CharFilter("job__unit__code", label="Unit code.")
    job = filters.CharFilter("job__code", label="Job code.")
    state = filters.ChoiceFilter(choices=FluidSample.State.choices, label="recorded waits for a person.")


class ToolFilters(filters.FilterSet):
    """Measuring tools by depot and kind."""

    depot = filters.CharFilter("depot__code", label="Depot code.")
    kind = filters.ChoiceFilter(choices=MeasuringTool.Kind.choices, label="Kind of tool.")


class StockFilters(filters.FilterSet):
    """Packs by shelf, product and batch."""

    depot = filters.CharFilter("depot__code", label="Depot code of the shelf.")
    product = filters.CharFilter("product__code", label="Product code.")
    batch = filters.CharFilter("batch", label="Batch as printed.")


class MovementFilters(filters.FilterSet):
    """Movements by packs, product, job and reason."""

    item = filters.NumberFilter("item", label="Id of the packs.")
    product = filters.CharFilter("item__product__code", label="Product code.")
    job = filters.CharFilter("job__code", label="Job code.")
    reason = filters.ChoiceFilter(choices=StockMovement.Reason.choices, label="What happened.")


class WasteMovementFilters(filters.FilterSet):
    """Waste movements by container, stream, job and reason."""

    container = filters.NumberFilter("tank", label="Id of the container.")
    stream = filters.CharFilter("tank__stream", label="Stream.")
    job = filters.CharFilter("job__code", label="Job code.")
    reason = filters.ChoiceFilter(choices=WasteMovement.Reason.choices, label="What happened.")


class CollectionFilters(filters.FilterSet):
    """The collector's visits by depot, state and day called."""

    depot = filters.CharFilter("depot__code", label="Depot code.")
    state = filters.ChoiceFilter(choices=WasteCollection.State.choices, label="State of the visit.")
    called_from = filters.DateFilter("called_on", lookup_expr="gte", label="Called on this day or later.")
    called_until = filters.DateFilter("called_on", lookup_expr="lte", label="Called on this day or earlier.")


class DipFilters(filters.FilterSet):
    """Dips by tank."""

    tank = filters.CharFilter("tank__code", label="Code of the tank.")


class RunFilters(filters.FilterSet):
    """Daily runs by depot, state and day."""

    depot = filters.CharFilter("depot__code", label="Depot code.")
    state = filters.ChoiceFilter(choices=DailyRun.State.choices, label="State of the run.")
    as_of = filters.DateFilter(label="Local day the run is for.")
