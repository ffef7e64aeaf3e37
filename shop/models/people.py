"""People: who signs in, what they may do, which depots they see and who gets the daily mail."""

from django.contrib.auth.models import AbstractUser
from django.db import models


class Person(AbstractUser):
    """A member of staff who signs in.

    The role decides what a person may do; the depots decide what a person sees.
    """

    class Role(models.TextChoices):
        FLEET = "fleet", "Fleet"
        STORES = "stores", "Stores"
        TECHNICIAN = "technician", "Technician"
        FOREMAN = "foreman", "Foreman"
        APPRENTICE = "apprentice", "Apprentice"

    ACTIONS = {
        Role.FLEET: {"see", "plan"},
        Role.STORES: {"see", "plan"},
        Role.TECHNICIAN: {"see", "do", "close"},
        Role.FOREMAN: {"see", "plan", "do", "close", "change unit data"},
        Role.APPRENTICE: {"see", "do"},
    }

    name = models.CharField(max_length=80, blank=True)
    role = models.CharField(max_length=12, choices=Role, default=Role.TECHNICIAN)
    depots = models.ManyToManyField("shop.Depot", related_name="people", blank=True)
    gets_daily_mail = models.BooleanField(default=False)

    class Meta:
        ordering = ["username"]
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.name or self.username

    def can(self, action: str) -> bool:
        """Say whether the person's role allows an action (`see`, `plan`, `do`, `close`, `change unit data`)."""
        return self.is_superuser or action in self.ACTIONS[self.Role(self.role)]
