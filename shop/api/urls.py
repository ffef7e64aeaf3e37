"""Addresses under /api/v1/."""

import datetime
from typing import Any

from django.urls import path, re_path, register_converter
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularJSONAPIView, SpectacularSwaggerSplitView
from rest_framework.exceptions import NotFound
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.views import APIView

from shop.api import (
    bench,
    due,
    fluids,
    health,
    holds,
    learning,
    meters,
    order_plan,
    orders,
    planning,
    readings,
    runs,
    severity,
    sign_in,
    stock,
    supplier_orders,
    tanks,
    tools,
    units,
    vehicles,
    wastes,
)


class DayConverter:
    """A day that exists, as YYYY-MM-DD."""

    regex = "[0-9]{4}-[0-9]{2}-[0-9]{2}"

    def to_python(self, value: str) -> datetime.date:
        """Return the day; one that does not exist matches no address."""
        return datetime.date.fromisoformat(value)

    def to_url(self, value: datetime.date) -> str:
        """Write the day."""
        return value.isoformat()


@extend_schema(exclude=True)
class NoSuchAddress(APIView):
    """Whatever else is asked for under this prefix."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Refuse, once the person is signed in."""
        super().initial(request, *args, **kwargs)
        raise NotFound(f"There is nothing at {request.path}; see /api/v1/docs for the addresses there are.")


class NameConverter:
    """A code or number as people write it; the character no database keeps is in none."""

    regex = r"[^/\x00]+"

    def to_python(self, value: str) -> str:
        """Return the name."""
        return value

    def to_url(self, value: str) -> str:
        """Return the name."""
        return value


register_converter(DayConverter, "day")
register_converter(NameConverter, "name")
app_name = "api"
signed_in = (IsAuthenticated,)
urlpatterns = [
    path("health", health.Health.as_view(), name="health"),
    path("token", sign_in.GetToken.as_view(), name="token"),
    path("vehicles", vehicles.VehicleList.as_view(), name="vehicles"),
    path("vehicles/<name:number>", vehicles.VehicleOne.as_view(), name="vehicle"),
    path("units", units.UnitList.as_view(), name="units"),
    path("units/<name:code>", units.UnitOne.as_view(), name="unit"),
    path("units/<name:code>/exchange-plan", units.ExchangePlan.as_view(), name="exchange-plan"),
    path("units/<name:code>/jobs", units.UnitJobs.as_view(), name="unit-jobs"),
    path("units/<name:code>/severity", severity.UnitSeverity.as_view(), name="unit-severity"),
    path(
        "units/<name:code>/temperature-hours", severity.TemperatureMonth.as_view(), name="temperature-hours"
    ),
    path("units/<name:code>/measured-severity", severity.MeasuredTaken.as_view(), name="measured-severity"),
    path("severity-factors/<int:pk>/end", severity.FactorEnded.as_view(), name="severity-factor-end"),
    path("readings", readings.ReadingList.as_view(), name="readings"),
    path("vehicles/<name:number>/meters", meters.VehicleMeters.as_view(), name="meters"),
    path("vehicles/<name:number>/meter-changes", meters.MeterChanges.as_view(), name="meter-changes"),
    path(
        "meter-changes/<int:pk>/withdraw", meters.MeterChangeTakenBack.as_view(), name="meter-change-withdraw"
    ),
    path("readings/<int:pk>/move", meters.ReadingMoved.as_view(), name="reading-move"),
    path("readings/<int:pk>/answer", readings.ReadingAnswered.as_view(), name="reading-answer"),
    path("due-list", due.DueList.as_view(), name="due-list"),
    path("units/<name:code>/deferrals", holds.UnitDeferrals.as_view(), name="unit-deferrals"),
    path("deferrals", holds.DeferralList.as_view(), name="deferrals"),
    path("deferrals/<int:pk>/end", holds.DeferralEnded.as_view(), name="deferral-end"),
    path("recalls", holds.RecallList.as_view(), name="recalls"),
    path(
        "recalls/<name:code>/vehicles/<name:number>/close", holds.RecallClosed.as_view(), name="recall-close"
    ),
    path("what-if", planning.WhatIf.as_view(), name="what-if"),
    path("fewest-fluids", fluids.FewestFluids.as_view(), name="fewest-fluids"),
    path("fluids/<name:code>/packs", fluids.FluidPacks.as_view(), name="fluid-packs"),
    path("fluids/<name:code>/replace", fluids.FluidReplaced.as_view(), name="fluid-replace"),
    path("shelf-levels", fluids.ShelfLevels.as_view(), name="shelf-levels"),
    path("order-list", orders.OrderList.as_view(), name="order-list"),
    path("order-list.csv", orders.OrderSheet.as_view(), name="order-sheet"),
    path("order-plan", order_plan.OrderPlanAhead.as_view(), name="order-plan"),
    path(
        "order-drafts/<name:depot>/<name:supplier>",
        supplier_orders.OrderDraftOne.as_view(),
        name="order-draft",
    ),
    path("supplier-orders", supplier_orders.SupplierOrderList.as_view(), name="supplier-orders"),
    path("supplier-orders/<name:number>", supplier_orders.SupplierOrderOne.as_view(), name="supplier-order"),
    path(
        "supplier-orders/<name:number>/cancel", supplier_orders.OrderCancelled.as_view(), name="order-cancel"
    ),
    path("supplier-orders/<name:number>/chase", supplier_orders.OrderChased.as_view(), name="order-chase"),
    path("supplier-orders/<name:number>/give-up", supplier_orders.LineGivenUp.as_view(), name="line-give-up"),
    path(
        "supplier-orders/<name:number>/mail-again",
        supplier_orders.OrderMailedAgain.as_view(),
        name="order-mail",
    ),
    path("supplier-orders/<name:number>/order.pdf", supplier_orders.OrderPdf.as_view(), name="order-pdf"),
    path("supplier-orders/<name:number>/order.csv", supplier_orders.OrderCsv.as_view(), name="order-csv"),
    path("suppliers/<name:code>", supplier_orders.SupplierOne.as_view(), name="supplier"),
    path("stock", stock.StockList.as_view(), name="stock"),
    path("stock-sums", stock.StockSums.as_view(), name="stock-sums"),
    path("stock-movements", stock.MovementList.as_view(), name="stock-movements"),
    path("goods-in", stock.GoodsIn.as_view(), name="goods-in"),
    path("batches/<name:product>/<name:batch>", stock.Batch.as_view(), name="batch"),
    path("reservations", stock.ReservationList.as_view(), name="reservations"),
    path("reservations/<int:pk>/free", stock.ReservationFreed.as_view(), name="reservation-free"),
    path("pick-lists", stock.PickLists.as_view(), name="pick-lists"),
    path("waste-containers", wastes.Containers.as_view(), name="waste-containers"),
    path("waste-movements", wastes.WasteMovements.as_view(), name="waste-movements"),
    path("waste-collections", wastes.Collections.as_view(), name="waste-collections"),
    path("waste-collections/<int:pk>/done", wastes.CollectionDone.as_view(), name="waste-collection-done"),
    path(
        "waste-collections/<int:pk>/cancel",
        wastes.CollectionCancelled.as_view(),
        name="waste-collection-cancel",
    ),
    path("waste-balance", wastes.Balance.as_view(), name="waste-balance"),
    path("tanks", tanks.Tanks.as_view(), name="tanks"),
    path("tanks/<name:code>/issue", tanks.TankIssue.as_view(), name="tank-issue"),
    path("tanks/<name:code>/delivery", tanks.TankDelivery.as_view(), name="tank-delivery"),
    path("tank-dips", tanks.TankDips.as_view(), name="tank-dips"),
    path("tank-dips/<int:pk>/correction", tanks.DipTakenAsCount.as_view(), name="tank-dip-correction"),
    path("daily-runs", runs.RunList.as_view(), name="daily-runs"),
    path("daily-runs/<name:depot>/<day:as_of>", runs.RunOne.as_view(), name="daily-run"),
    path("proposals", learning.ProposalList.as_view(), name="proposals"),
    path("proposals/<int:pk>/answer", learning.ProposalAnswered.as_view(), name="proposal-answer"),
    path("samples", learning.SampleList.as_view(), name="samples"),
    path("samples/<int:pk>/answer", learning.SampleAnswered.as_view(), name="sample-answer"),
    path("tools", tools.ToolList.as_view(), name="tools"),
    path("tools/<name:code>", tools.ToolOne.as_view(), name="tool"),
    path("bench", bench.Bench.as_view(), name="bench"),
    path("openapi.json", SpectacularJSONAPIView.as_view(permission_classes=signed_in), name="openapi"),
    path(
        "docs",
        SpectacularSwaggerSplitView.as_view(url_name="api:openapi", permission_classes=signed_in),
        name="docs",
    ),
    re_path("", NoSuchAddress.as_view(), name="no-such-address"),
]
