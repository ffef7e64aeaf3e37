"""What falls due: one line per unit and rule, with the history of its states, and which vehicles have news."""

from typing import Any

from django.db import models
from django.db.models import Case, F, IntegerField, Value, When

STATES = ["late", "due", "window open", "not yet", "cannot say"]

STATE_RANK = Case(
    *[When(state=state, then=Value(place)) for place, state in enumerate(STATES)], output_field=IntegerField()
)
SHARE_IF_OVER = Case(When(state__in=["late", "due"], then=F("used_share")), default=Value(0.0))
WORKING_ORDER = (F("must_not_move").desc(), STATE_RANK.asc(), SHARE_IF_OVER.desc(), F("book_by").asc())
"""By state and, inside it, late and due by the most over, window open by the day to book by."""


class DueLine(models.Model):
    """One unit under one rule as last worked out: its state, its days and what they hang on.

    The figures behind them and the sentence that explains are made when somebody reads (`selectors/due_today.py`).
    """

    facts: dict[str, Any]
    sentence: str

    # Units and vehicles are found by the indexes below that begin with them, and nobody looks for all lines of a rule:
    # indexes of their own would only cost each write.
    unit = models.ForeignKey("shop.Unit", on_delete=models.CASCADE, related_name="due_lines", db_index=False)
    rule = models.ForeignKey(
        "shop.IntervalRule", on_delete=models.CASCADE, related_name="due_lines", db_index=False
    )
    vehicle = models.ForeignKey(
        "shop.Vehicle", on_delete=models.CASCADE, related_name="due_lines", db_index=False
    )
    state = models.CharField(max_length=12, choices=[(state, state) for state in STATES])
    overlays = models.JSONField(
        default=list, help_text="Laid over the state: must not move, on hold, after season, leaving."
    )
    must_not_move = models.BooleanField(default=False)
    clock = models.CharField(max_length=8, blank=True, help_text="The clock that decides the state.")
    used_share = models.FloatField(null=True, blank=True)
    opens_on = models.DateField(null=True, blank=True)
    due_on = models.DateField(null=True, blank=True)
    late_on = models.DateField(null=True, blank=True)
    due_low_on = models.DateField(null=True, blank=True, help_text="10 % date.")
    due_high_on = models.DateField(null=True, blank=True, help_text="90 % date.")
    book_by = models.DateField(
        null=True, blank=True, help_text="20 % date: booked by then it is rarely too late."
    )
    due_clock = models.CharField(max_length=8, blank=True, help_text="The clock that falls due first.")
    done_on = models.DateField(null=True, blank=True, help_text="Day of the last job it counts from.")
    counted_from = models.DateField(
        null=True,
        blank=True,
        help_text="Day of the reading the date is counted from; empty: the calendar gives it.",
    )
    cycle_days = models.FloatField(
        null=True,
        blank=True,
        help_text="Days one interval lasts at the present use, whichever clock is first.",
    )
    next_change_on = models.DateField(
        null=True, blank=True, help_text="First day on which it changes though no news comes."
    )
    worked_out_for = models.DateField(help_text="The last day this line changed.")

    class Meta:
        ordering = ["vehicle", "unit"]
        constraints = [
            models.UniqueConstraint(fields=["unit", "rule"], name="one_due_line_per_unit_and_rule")
        ]
        indexes = [
            models.Index(fields=["state", "due_on"], name="due_by_state"),
            models.Index(fields=["vehicle", "due_on"], name="due_by_vehicle"),
            models.Index(fields=["next_change_on"], name="due_line_changes_by_itself"),
            models.Index(*WORKING_ORDER, name="due_in_working_order"),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.state}"


class StateChange(models.Model):
    """A unit moved from one state to another under a rule on a day; kept when the unit leaves its vehicle."""

    unit = models.ForeignKey(
        "shop.Unit", on_delete=models.CASCADE, related_name="state_changes", db_index=False
    )
    rule = models.ForeignKey(
        "shop.IntervalRule", on_delete=models.CASCADE, related_name="state_changes", db_index=False
    )
    day = models.DateField()
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12)

    class Meta:
        ordering = ["unit", "day"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "rule", "day", "to_state"], name="state_change_once_a_day"
            )
        ]
        indexes = [models.Index(fields=["day"], name="state_changes_of_day")]

    def __str__(self) -> str:
        return f"{self.unit}: {self.from_state} → {self.to_state} on {self.day}"


class Mark(models.Model):
    """A vehicle with news since its lines were last worked out; the next daily run takes it."""

    vehicle = models.OneToOneField(
        "shop.Vehicle", on_delete=models.CASCADE, primary_key=True, related_name="mark"
    )

    def __str__(self) -> str:
        return f"news of {self.vehicle_id}"
