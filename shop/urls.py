"""Every address of the pages and the API."""

from django.contrib import admin
from django.urls import include, path

from shop.web import (
    bench,
    board,
    deferrals,
    due,
    errors,
    forecasts,
    jobs,
    learning,
    orders,
    planning,
    readings,
    recalls,
    samples,
    severity,
    sign_in,
    stock,
    tools,
    units,
)

urlpatterns = [
    path("", board.board, name="board"),
    path("due", due.due_list, name="due"),
    path("due.csv", due.due_csv, name="due_csv"),
    path("what-if", planning.rule_tried, name="what_if"),
    path("catch-up", planning.queue, name="catch_up"),
    path("catch-up.csv", planning.queue_csv, name="catch_up_csv"),
    path("units/<str:code>", units.unit, name="unit"),
    path("units/<str:code>/job", jobs.unit_job, name="unit_job"),
    path("units/<str:code>/sample", samples.unit_sample, name="unit_sample"),
    path("units/<str:code>/severity", severity.unit_severity, name="unit_severity"),
    path("units/<str:code>/severity/hours", severity.hours, name="severity_hours"),
    path("units/<str:code>/severity/measured", severity.measured, name="severity_measured"),
    path("severity-factors/<int:pk>/end", severity.factor_ended, name="severity_factor_end"),
    path("samples/<int:pk>/answer", samples.answer, name="sample_answer"),
    path("units/<str:code>/deferral", deferrals.unit_deferral, name="unit_deferral"),
    path("deferrals", deferrals.deferrals, name="deferrals"),
    path("deferrals/<int:pk>/end", deferrals.ended, name="deferral_end"),
    path("recalls", recalls.recalls, name="recalls"),
    path("recalls/<str:code>/vehicles/<str:number>/close", recalls.closed, name="recall_close"),
    path("tools", tools.tools, name="tools"),
    path("tools/<str:code>", tools.tool, name="tool"),
    path("vehicles/<str:number>", units.vehicle, name="vehicle"),
    path("orders", orders.orders, name="orders"),
    path("orders.csv", orders.orders_csv, name="orders_csv"),
    path("stock", stock.stock, name="stock"),
    path("stock/<int:pk>", stock.stock_item, name="stock_item"),
    path("goods-in", stock.goods, name="goods_in"),
    path("pick-list", stock.pick_list, name="pick_list"),
    path("batches/<str:product>/<str:batch>", stock.batch, name="batch"),
    path("batches/<str:product>/<str:batch>/set-aside", stock.batch_set_aside, name="batch_set_aside"),
    path("labels/<str:product>", stock.label, name="shelf_label"),
    path("bench", bench.bench, name="bench"),
    path("forecasts", forecasts.forecasts, name="forecasts"),
    path("learning", learning.learning, name="learning"),
    path("learning/<int:pk>/answer", learning.answer, name="learning_answer"),
    path("readings", readings.readings, name="readings"),
    path("readings/<int:pk>/answer", readings.answer, name="reading_answer"),
    path("sign-in", sign_in.SignIn.as_view(), name="sign_in"),
    path("sign-out", sign_in.SignOut.as_view(), name="sign_out"),
    path("admin/", admin.site.urls),
    path("api/v1/", include("shop.api.urls")),
]

handler403 = errors.not_allowed
handler404 = errors.not_found
handler500 = errors.failed
