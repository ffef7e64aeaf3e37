"""Recalls and bulletins: what a maker or an authority asks of some vehicles, and who closed it on which."""

from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses


class Recall(models.Model):
    """One notice.

    With unit models it is about those units, with vehicles named only about these; without unit models it is about the
    whole of each vehicle named.
    """

    class Kind(models.TextChoices):
        STOP_DRIVE = "stop-drive"
        COMBINE = "hold and combine"
        NEW_FIGURES = "changes fluid or interval"

    code = models.CharField(
        max_length=24, unique=True, validators=[in_addresses], help_text="The number on the notice."
    )
    title = models.CharField(max_length=120)
    text = models.TextField(blank=True)
    source = models.CharField(max_length=120, help_text="Who issued it and where it can be read.")
    kind = models.CharField(max_length=28, choices=Kind)
    from_day = models.DateField()
    changes_from = models.DateField(
        null=True, blank=True, help_text="The day new fluid or interval figures apply from."
    )
    unit_models = models.ManyToManyField("shop.UnitModel", related_name="recalls", blank=True)
    vehicles = models.ManyToManyField("shop.Vehicle", related_name="recalls", blank=True)

    class Meta:
        ordering = ["-from_day", "code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="changes fluid or interval") | Q(changes_from__isnull=True),
                name="only_new_figures_have_a_day",
            )
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class RecallClosing(models.Model):
    """A recall closed on one vehicle: when, by whom and how."""

    recall = models.ForeignKey(Recall, on_delete=models.CASCADE, related_name="closings")
    vehicle = models.ForeignKey("shop.Vehicle", on_delete=models.CASCADE, related_name="recall_closings")
    closed_on = models.DateField()
    closed_by = models.CharField(max_length=150)
    how = models.CharField(max_length=200)

    class Meta:
        ordering = ["-closed_on", "vehicle"]
        constraints = [
            models.UniqueConstraint(fields=["recall", "vehicle"], name="recall_closed_once_per_vehicle"),
            models.CheckConstraint(
                condition=~Q(closed_by="") & ~Q(how=""), name="recall_closing_says_who_and_how"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.recall.code} {self.vehicle.number} {self.closed_on}"
