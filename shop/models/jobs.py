"""Jobs: bookings, work in the bay, and what really happened."""

from django.db import models
from django.db.models import Q


class Job(models.Model):
    """One service of one unit, from booking to hand-back; states are words, never a percentage."""

    class Kind(models.TextChoices):
        SERVICE = "service"
        TOP_UP = "top-up"
        CORRECTION = "correction"

    class State(models.TextChoices):
        BOOKED = "booked"
        IN_BAY = "in bay"
        EMPTY = "empty"
        PART_FILLED = "part filled"
        FILLED = "filled"
        LEVEL_PROVED = "level proved"
        HANDED_BACK = "handed back"
        TURNED_AWAY = "turned away"
        WAITING = "waiting for part"
        NO_SHOW = "no-show"

    class StrengthBy(models.TextChoices):
        REFRACTOMETER = "refractometer"
        HYDROMETER = "hydrometer"
        STRIP = "test strip"
        LABORATORY = "laboratory"

    MUST_NOT_MOVE = [State.EMPTY, State.PART_FILLED]

    code = models.CharField(max_length=40, unique=True)
    unit = models.ForeignKey("shop.Unit", on_delete=models.PROTECT, related_name="jobs")
    vehicle = models.ForeignKey("shop.Vehicle", on_delete=models.PROTECT, related_name="jobs")
    kind = models.CharField(max_length=12, choices=Kind, default=Kind.SERVICE)
    subject = models.CharField(max_length=32, default="fluid")
    method = models.CharField(max_length=40, blank=True)
    state = models.CharField(max_length=20, choices=State)
    state_since = models.DateTimeField(null=True, blank=True)
    booked_for = models.DateTimeField(null=True, blank=True)
    bay = models.CharField(max_length=16, blank=True)
    done_on = models.DateField(null=True, blank=True)
    unit_km = models.FloatField(null=True, blank=True)
    unit_h = models.FloatField(null=True, blank=True)
    out_l = models.FloatField(null=True, blank=True, help_text="Came out, as read.")
    out_temp_c = models.FloatField(null=True, blank=True)
    out_kg = models.FloatField(null=True, blank=True)
    in_l = models.FloatField(null=True, blank=True, help_text="Went in, as read.")
    in_temp_c = models.FloatField(null=True, blank=True)
    in_kg = models.FloatField(null=True, blank=True)
    fresh_share = models.FloatField(null=True, blank=True)
    share_basis = models.CharField(max_length=120, blank=True)
    product_in_l = models.FloatField(
        null=True, blank=True, help_text="Coolant: litres of product in what went in; the rest was water."
    )
    strength_found_share = models.FloatField(
        null=True, blank=True, help_text="Coolant: glycol share by volume before the job, 0 to 1."
    )
    strength_left_share = models.FloatField(null=True, blank=True, help_text="Coolant: the same afterwards.")
    strength_by = models.CharField(max_length=16, choices=StrengthBy, blank=True)
    boiling_found_c = models.FloatField(
        null=True, blank=True, help_text="Brake fluid: boiling point before the job."
    )
    boiling_left_c = models.FloatField(null=True, blank=True, help_text="Brake fluid: the same afterwards.")
    level_temp_c = models.FloatField(null=True, blank=True)
    level_reading_mm = models.FloatField(null=True, blank=True)
    level_proof = models.CharField(max_length=120, blank=True)
    tray = models.ForeignKey(
        "shop.MeasuringTool", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    jug = models.ForeignKey(
        "shop.MeasuringTool", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    scale = models.ForeignKey(
        "shop.MeasuringTool", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    stick = models.ForeignKey(
        "shop.MeasuringTool", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    drain_minutes = models.FloatField(null=True, blank=True, help_text="Plug out until the tray was read.")
    drain_start_c = models.FloatField(null=True, blank=True, help_text="Fluid when the plug came out.")
    shed_c = models.FloatField(null=True, blank=True)
    arrival_mm = models.FloatField(null=True, blank=True, help_text="Stick against its mark on arrival.")
    arrival_temp_c = models.FloatField(null=True, blank=True)
    moved_ml = models.FloatField(
        null=True, blank=True, help_text="A measured correction: poured in, above zero, or taken out, below."
    )
    moved_from_mm = models.FloatField(null=True, blank=True, help_text="Stick just before it.")
    moved_to_mm = models.FloatField(null=True, blank=True, help_text="Stick just after it.")
    product = models.ForeignKey(
        "shop.Product", null=True, blank=True, on_delete=models.PROTECT, related_name="jobs"
    )
    batch = models.CharField(max_length=40, blank=True)
    done_by = models.CharField(max_length=150, blank=True)
    checked_by = models.CharField(max_length=150, blank=True)
    note = models.TextField(blank=True)
    stood_before = models.JSONField(
        null=True,
        editable=False,
        help_text="The unit's last service as it stood before this job; what follows is worked out from it again.",
    )

    class Meta:
        ordering = ["-done_on", "-booked_for"]
        constraints = [
            models.CheckConstraint(
                condition=(Q(out_l__isnull=True) | Q(out_l__gte=0)) & (Q(in_l__isnull=True) | Q(in_l__gte=0)),
                name="job_litres_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(fresh_share__isnull=True) | Q(fresh_share__range=(0, 1)),
                name="job_share_is_a_share",
            ),
            models.CheckConstraint(
                condition=(Q(strength_found_share__isnull=True) | Q(strength_found_share__range=(0, 1)))
                & (Q(strength_left_share__isnull=True) | Q(strength_left_share__range=(0, 1))),
                name="job_strengths_are_shares",
            ),
            models.CheckConstraint(
                condition=Q(product_in_l__isnull=True) | Q(product_in_l__gte=0),
                name="job_product_not_negative",
            ),
            models.CheckConstraint(
                condition=~Q(state="handed back") | Q(done_on__isnull=False), name="handed_back_has_a_day"
            ),
            models.UniqueConstraint(
                fields=["unit", "subject"],
                condition=Q(state__in=["in bay", "empty", "part filled", "filled", "level proved"]),
                name="one_job_in_the_bay_per_unit",
            ),
        ]
        indexes = [models.Index(fields=["state", "booked_for"], name="job_by_state")]

    def __str__(self) -> str:
        return f"{self.code} {self.state}"
