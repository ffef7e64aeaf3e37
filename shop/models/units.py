"""Units (what holds fluid), their models with the unit card, and where a unit is fitted."""

from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses
from shop.models.readings import Meter

SOURCES = [("maker", "maker"), ("house", "house"), ("learned", "learned"), ("guess", "guess")]


class UnitModel(models.Model):
    """A kind of gearbox, axle, engine … with one unit card."""

    HOUR_METERS = [(kind.value, kind.value) for kind in (Meter.Kind.HOURS, Meter.Kind.TAKE_OFF)]

    class Kind(models.TextChoices):
        AUTOMATIC = "automatic gearbox"
        VARIATOR = "variator gearbox"
        MANUAL = "manual gearbox"
        TRANSFER = "transfer case"
        AXLE = "axle"
        ENGINE = "engine"
        COOLING = "cooling system"
        BRAKES = "brake system"
        STEERING = "steering"
        HYDRAULICS = "hydraulics"

    code = models.CharField(max_length=24, unique=True)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=24, choices=Kind)
    hours_meter = models.CharField(
        max_length=24,
        choices=HOUR_METERS,
        default=Meter.Kind.HOURS,
        help_text="The vehicle's meter that counts this unit's hours, at its jobs and fittings too.",
    )
    level_check = models.CharField(max_length=80, blank=True)
    plug_seal = models.CharField(max_length=24, blank=True)
    filter_kind = models.CharField(max_length=24, blank=True)
    methods = models.JSONField(default=list, help_text="Methods the maker's data allow for this unit.")
    house_method = models.CharField(
        max_length=60, blank=True, help_text="The method this house chose; empty: the plan that ranks first."
    )
    target_share = models.FloatField(
        null=True, blank=True, help_text="Fresh share to reach; empty: house default."
    )
    product = models.ForeignKey(
        "shop.Product",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="unit_models",
        help_text="The product this house fills.",
    )

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(target_share__isnull=True) | Q(target_share__gt=0, target_share__lt=1),
                name="target_share_between_0_and_1",
            )
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Unit(models.Model):
    """One gearbox, axle, engine … that carries its own fluid, age and history, whatever vehicle it is in."""

    code = models.CharField(max_length=40, unique=True, validators=[in_addresses])
    unit_model = models.ForeignKey(UnitModel, on_delete=models.PROTECT, related_name="units")
    serial = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class CardFigure(models.Model):
    """One figure of a unit card; a figure noted for one unit beats that of its model."""

    unit_model = models.ForeignKey(
        UnitModel, null=True, blank=True, on_delete=models.CASCADE, related_name="figures"
    )
    unit = models.ForeignKey(Unit, null=True, blank=True, on_delete=models.CASCADE, related_name="figures")
    figure = models.CharField(max_length=40)
    value = models.FloatField()
    measured_in = models.CharField(max_length=12)
    source = models.CharField(max_length=8, choices=SOURCES)
    noted_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["figure"]
        constraints = [
            models.CheckConstraint(
                condition=Q(unit_model__isnull=False, unit__isnull=True)
                | Q(unit_model__isnull=True, unit__isnull=False),
                name="card_figure_has_one_owner",
            ),
            models.UniqueConstraint(
                fields=["unit_model", "figure"], condition=Q(unit__isnull=True), name="model_figure_once"
            ),
            models.UniqueConstraint(
                fields=["unit", "figure"], condition=Q(unit_model__isnull=True), name="unit_figure_once"
            ),
            models.CheckConstraint(condition=Q(value__gte=0), name="card_figure_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.figure} {self.value} {self.measured_in} ({self.source})"


class Fitting(models.Model):
    """A unit in a vehicle, from a day on; distances let the unit keep its own running total.

    Hours are those of the meter its model names; so are they of jobs and last services.
    """

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="fittings")
    vehicle = models.ForeignKey("shop.Vehicle", on_delete=models.PROTECT, related_name="fittings")
    position = models.CharField(max_length=32)
    fitted_on = models.DateField(null=True, blank=True, help_text="Empty: since the vehicle was built.")
    removed_on = models.DateField(null=True, blank=True)
    vehicle_km_at_fit = models.FloatField(default=0)
    vehicle_h_at_fit = models.FloatField(default=0)
    unit_km_at_fit = models.FloatField(default=0)
    unit_h_at_fit = models.FloatField(default=0)

    class Meta:
        ordering = ["vehicle", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(removed_on__isnull=True), name="unit_in_one_vehicle_at_a_time"
            ),
            models.UniqueConstraint(
                fields=["vehicle", "position"],
                condition=Q(removed_on__isnull=True),
                name="one_unit_per_position",
            ),
            models.CheckConstraint(
                condition=Q(
                    vehicle_km_at_fit__gte=0,
                    vehicle_h_at_fit__gte=0,
                    unit_km_at_fit__gte=0,
                    unit_h_at_fit__gte=0,
                ),
                name="fitting_totals_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} in {self.vehicle}"


class LastService(models.Model):
    """Where a unit stands since the last time a subject (its fluid, an outside filter …) was done.

    Ages are the mean age of the fluid right after that job, each clock on its own; 0 after a full change.
    A missing meter total or age is unknown, never zero.
    """

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="last_services", db_index=False)
    subject = models.CharField(max_length=32, default="fluid")
    done_on = models.DateField(null=True, blank=True)
    unit_km = models.FloatField(null=True, blank=True, help_text="The unit's own distance total at the job.")
    unit_h = models.FloatField(null=True, blank=True, help_text="The unit's own hour total at the job.")
    age_km = models.FloatField(null=True, blank=True, default=0)
    age_h = models.FloatField(null=True, blank=True, default=0)
    age_days = models.FloatField(null=True, blank=True, default=0)
    is_age_assumed = models.BooleanField(default=False, help_text="The age before the job was not known.")
    run_limit_km = models.FloatField(
        null=True, blank=True, help_text="Longest run this job earned, if less than a rule's."
    )
    run_limit_h = models.FloatField(null=True, blank=True)
    run_limit_days = models.FloatField(null=True, blank=True)
    age_severity_km = models.FloatField(
        null=True,
        blank=True,
        help_text="Mean severity the carried distance was run with; empty: that of its day.",
    )
    age_severity_h = models.FloatField(null=True, blank=True)
    scheduled_on = models.DateField(
        null=True,
        blank=True,
        help_text="When the job was scheduled by the calendar, if that decided and it was done inside its window.",
    )
    scheduled_unit_km = models.FloatField(
        null=True, blank=True, help_text="The unit's own distance the job was scheduled at, likewise."
    )
    scheduled_unit_h = models.FloatField(null=True, blank=True)
    fresh_share = models.FloatField(null=True, blank=True)
    parcels = models.JSONField(
        default=list, help_text="What the fill is made of: share and age at the job, oldest last."
    )
    product = models.ForeignKey(
        "shop.Product", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    batch = models.CharField(max_length=40, blank=True)
    job = models.ForeignKey("shop.Job", null=True, blank=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["unit", "subject"], name="last_service_once"),
            models.CheckConstraint(
                condition=Q(fresh_share__isnull=True) | Q(fresh_share__range=(0, 1)),
                name="fresh_share_is_a_share",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.subject} {self.done_on}"
