"""Changes of a unit card that finished jobs propose, and what a person decided about them."""

from django.db import models
from django.db.models import Q

from intervals.exchange.learning import FAR_FROM_BOOK_SHARE
from shop.models.units import SOURCES


class CardProposal(models.Model):
    """One learned card figure that waits for a person, or was accepted or declined.

    `value` and `sd` hold at 15 °C, where they are learned; `card_value` is the same litres at 20 °C, where the
    figures of a unit card hold, and is what accepting writes.
    """

    class State(models.TextChoices):
        PROPOSED = "proposed"
        ACCEPTED = "accepted"
        DECLINED = "declined"

    unit_model = models.ForeignKey("shop.UnitModel", on_delete=models.CASCADE, related_name="proposals")
    figure = models.CharField(max_length=40)
    value = models.FloatField(help_text="L at 15 °C.")
    sd = models.FloatField(help_text="Standard deviation of the value, L.")
    n = models.PositiveIntegerField(help_text="Jobs learned from.")
    card_value = models.FloatField(help_text="L at 20 °C.")
    book_value = models.FloatField(help_text="What learning started from, L at 20 °C.")
    book_source = models.CharField(max_length=8, choices=SOURCES)
    held_value = models.FloatField(help_text="What the card said when this was proposed, L at 20 °C.")
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
        ordering = ["unit_model", "figure", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit_model", "figure"],
                condition=Q(state="proposed"),
                name="one_open_proposal_per_figure",
            ),
            models.CheckConstraint(
                condition=Q(value__gt=0, sd__gt=0, n__gt=0, card_value__gt=0, book_value__gt=0),
                name="proposal_figures_above_zero",
            ),
            models.CheckConstraint(
                condition=Q(state="proposed") | Q(decided_at__isnull=False), name="decision_has_an_instant"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit_model.code} {self.figure} {self.state}"

    @property
    def off_book_share(self) -> float:
        """How far the learned figure is off the book, as a share of the book; below zero when it is less."""
        return self.card_value / self.book_value - 1.0

    @property
    def is_far_from_book(self) -> bool:
        """True when the difference is too large to accept without asking what is behind it."""
        return abs(self.off_book_share) > FAR_FROM_BOOK_SHARE
