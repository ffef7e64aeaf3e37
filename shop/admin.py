"""Every record an administrator may correct by hand."""

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin

from shop import models
from shop.services.marks import fleet_mark

APPEND_ONLY = [
    models.CardProposal,
    models.FluidSample,
    models.ChangeRecord,
    models.ImportRun,
    models.Reading,
    models.StateChange,
    models.OrderMail,
    models.StockMovement,
    models.SupplierOrder,
    models.WasteMovement,
    models.WasteCollection,
    models.CollectionLine,
    models.TankDip,
    models.DailyRun,
]
PLAIN = [
    models.Approval,
    models.BulkTank,
    models.CardFigure,
    models.ClosedDay,
    models.Depot,
    models.DueLine,
    models.Fitting,
    models.Hold,
    models.IntervalRule,
    models.Job,
    models.KitPart,
    models.LastService,
    models.Meter,
    models.MeasuringTool,
    models.MeterChange,
    models.MixingBan,
    models.OrderedLine,
    models.Pack,
    models.Product,
    models.ProposedLine,
    models.Recall,
    models.RecallClosing,
    models.Requirement,
    models.Reservation,
    models.RuleVersion,
    models.Season,
    models.SeverityFactor,
    models.Specification,
    models.StockItem,
    models.StoreRoom,
    models.Supplier,
    models.TemperatureHours,
    models.TankMark,
    models.Unit,
    models.UnitModel,
    models.Vehicle,
    models.WasteTank,
]

admin.site.site_header = admin.site.site_title = "Hatchmark records"


@admin.register(*PLAIN)
class PlainAdmin(admin.ModelAdmin):
    """A row corrected by hand may reach any vehicle, so the next daily run takes them all."""

    def save_model(self, request: object, obj: object, form: object, change: bool) -> None:
        """Save, and mark the fleet."""
        super().save_model(request, obj, form, change)
        fleet_mark()

    def delete_model(self, request: object, obj: object) -> None:
        """Delete, and mark the fleet."""
        super().delete_model(request, obj)
        fleet_mark()

    def delete_queryset(self, request: object, queryset: object) -> None:
        """Delete several, and mark the fleet."""
        super().delete_queryset(request, queryset)
        fleet_mark()


@admin.register(*APPEND_ONLY)
class ReadOnlyAdmin(admin.ModelAdmin):
    """Rows that are only ever added, and never by hand."""

    def has_add_permission(self, request: object) -> bool:
        """Nobody adds such a row by hand."""
        return False

    def has_change_permission(self, request: object, obj: object = None) -> bool:
        """Nobody changes one."""
        return False

    def has_delete_permission(self, request: object, obj: object = None) -> bool:
        """Nobody deletes one."""
        return False


@admin.register(models.Person)
class PersonAdmin(UserAdmin):
    """People with their role and depots beside Django's own fields."""

    list_display = ["username", "name", "role", "is_active"]
    fieldsets = [
        *UserAdmin.fieldsets,
        ("At the depot", {"fields": ["name", "role", "depots", "gets_daily_mail"]}),
    ]
    add_fieldsets = [
        *UserAdmin.add_fieldsets,
        ("At the depot", {"fields": ["name", "role", "depots", "gets_daily_mail"]}),
    ]
    filter_horizontal = ["depots", "groups", "user_permissions"]
