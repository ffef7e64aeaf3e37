"""The daily run: one row per depot and local day, with the steps it has behind it, and the parts of its longest."""

from django.db import models


class DailyRun(models.Model):
    """One run of the daily steps; finished steps are kept so that an interrupted run can go on."""

    class State(models.TextChoices):
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"

    depot = models.ForeignKey("shop.Depot", on_delete=models.CASCADE, related_name="daily_runs")
    as_of = models.DateField()
    state = models.CharField(max_length=8, choices=State, default=State.RUNNING)
    steps = models.JSONField(default=dict, help_text="Step name → what it did.")
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-as_of", "depot"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "as_of"], name="one_daily_run_per_depot_and_day")
        ]

    def __str__(self) -> str:
        return f"{self.depot.code} {self.as_of} {self.state}"


class RunPart(models.Model):
    """Some units of a run whose due lines one process works out in one go; the row it holds is its claim."""

    run = models.ForeignKey(DailyRun, on_delete=models.CASCADE, related_name="parts")
    units = models.BinaryField(help_text="Steps from key to key, eight bytes each, compressed.")
    counts = models.JSONField(null=True, help_text="What was done, in lines; empty until it is.")

    def __str__(self) -> str:
        return f"part {self.pk} of {self.run_id}"
