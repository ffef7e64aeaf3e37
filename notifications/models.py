"""Mails as stored rows: written once, sent once, kept."""

from django.db import models

from shop.models.outbox import Outgoing


class Mail(Outgoing):
    """One mail to one person; at most one of a kind per person and local day."""

    person = models.ForeignKey("shop.Person", on_delete=models.CASCADE, related_name="mails")
    kind = models.CharField(max_length=16, default="daily")
    local_day = models.DateField()
    to_address = models.EmailField()
    subject = models.CharField(max_length=200)
    text = models.TextField()
    html = models.TextField()

    class Meta:
        ordering = ["-local_day", "person"]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "kind", "local_day"], name="one_mail_per_person_kind_and_day"
            )
        ]
        indexes = [models.Index(fields=["state"], name="mail_by_state")]

    def __str__(self) -> str:
        return f"{self.subject} → {self.to_address}"
