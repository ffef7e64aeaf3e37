"""Answers kept by the caller's own key, so that a request sent again is answered and not done again."""

from django.db import models


class IdempotentAnswer(models.Model):
    """The answer to one request a person sent with an `Idempotency-Key`."""

    person = models.ForeignKey("shop.Person", on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=200)
    fingerprint = models.CharField(max_length=64, help_text="SHA-256 of method, address and body.")
    status = models.PositiveSmallIntegerField()
    body = models.JSONField()
    at = models.DateTimeField(db_index=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "key"], name="idempotency_key_once_per_person")
        ]

    def __str__(self) -> str:
        return f"{self.key}: {self.status}"
