"""The Django app that tells people."""

from django.apps import AppConfig


class NotificationsConfig(AppConfig):
    """Daily mails."""

    name = "notifications"
    default_auto_field = "django.db.models.BigAutoField"
