"""What every mail that waits in an outbox keeps about being sent."""

from django.db import models


class Outgoing(models.Model):
    """A mail as a stored row: written once, claimed by one sender, sent at most once."""

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        UNSURE = "unsure", "unsure: the sender was stopped while sending"
        FAILED = "failed"

    state = models.CharField(max_length=8, choices=State, default=State.QUEUED)
    attempts = models.PositiveSmallIntegerField(default=0)
    error = models.CharField(max_length=300, blank=True)
    queued_at = models.DateTimeField()
    claimed_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        abstract = True
