"""Changes of a unit card or of a measuring tool that finished jobs propose, and what a person decided about them."""

from django.db import models
from django.db.models import Q

from intervals.exchange.learning import FAR_FROM_BOOK_SHARE
from shop.models.measuring import MeasuringTool
from shop.models.units import SOURCES, UnitModel


class CardProposal(models.Model):
    """One learned figure of a unit card or tool that waits for a person, or was accepted or declined.

    Litres in `value` and `sd` hold at 15 °C, where they are learned; `card_value` is the same at 20 °C, where the
    figures of a unit card hold, and is what accepting writes. Other figures are the same in both.
    """

    class State(models.TextChoices):
        PROPOSED = "proposed"
        ACCEPTED = "accepted"
        DECLINED = "declined"

    unit_model = models.ForeignKey(
        "shop.UnitModel", null=True, blank=True, on_delete=models.CASCADE, related_name="proposals"
    )
    tool = models.ForeignKey(
        "shop.MeasuringTool", null=True, blank=True, on_delete=models.CASCADE, related_name="proposals"
    )
    figure = models.CharField(max_length=40)
    measured_in = models.CharField(max_length=12, default="L")
    value = models.FloatField(help_text="As learned; litres at 15 °C.")
    sd = models.FloatField(help_text="Standard deviation of the value.")
    n = models.PositiveIntegerField(help_text="Jobs learned from.")
    card_value = models.FloatField(help_text="As the card would say; litres at 20 °C.")
    book_value = models.FloatField(help_text="What learning started from, as the card says it.")
    book_source = models.CharField(max_length=8, choices=SOURCES)
    held_value = models.FloatField(help_text="What the card said when this was proposed.")
    evidence = models.JSONField(
        default=dict, help_text="The jobs learned from and those set aside, with why."
    )
    state = models.CharField(max_length=8, choices=State, default=State.PROPOSED)
    proposed_on = models.DateField()
    decided_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["unit_model", "tool", "figure", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit_model", "figure"],
                condition=Q(state="proposed"),
                name="one_open_proposal_per_figure",
            ),
            models.UniqueConstraint(
                fields=["tool", "figure"],
                condition=Q(state="proposed"),
                name="one_open_proposal_per_tool_figure",
            ),
            models.CheckConstraint(
                condition=Q(unit_model__isnull=False, tool__isnull=True)
                | Q(unit_model__isnull=True, tool__isnull=False),
                name="proposal_is_about_a_model_or_a_tool",
            ),
            models.CheckConstraint(
                condition=Q(sd__gt=0, n__gt=0)
                & (Q(tool__isnull=False) | Q(value__gt=0, card_value__gt=0, book_value__gt=0)),
                name="proposal_figures_above_zero",
            ),
            models.CheckConstraint(
                condition=Q(state="proposed") | Q(decided_at__isnull=False), name="decision_has_an_instant"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.subject} {self.figure} {self.state}"

    @property
    def subject(self) -> UnitModel | MeasuringTool:
        """The unit model or tool it is about."""
        return self.unit_model or self.tool

    @property
    def off_book_share(self) -> float:
        """How far off the book the learned figure is: a share of the book; of a tool, the difference of the shares."""
        if self.unit_model_id is None:
            return self.card_value - self.book_value
        return self.card_value / self.book_value - 1.0

    @property
    def is_far_from_book(self) -> bool:
        """True when the difference is too large to accept without asking what is behind it."""
        return abs(self.off_book_share) > FAR_FROM_BOOK_SHARE
