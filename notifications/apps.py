"""The Django app that tells people."""

from functools import partial
from typing import Any

from django.apps import AppConfig
from django.db import transaction
from django.db.models.signals import post_save


class NotificationsConfig(AppConfig):
    """Daily mails, orders to suppliers, and what calls them off."""

    name = "notifications"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Listen for orders: the shop only writes them down, as it knows nobody who tells people."""
        post_save.connect(_send_soon, sender="shop.OrderMail", dispatch_uid="order mail waits")


def _send_soon(instance: Any, **kwargs: Any) -> None:
    """Send a mail that waits once it is committed; whatever goes wrong, the next round of sending finds it."""
    from notifications.tasks import order_mail_send

    if instance.state == instance.State.QUEUED:
        transaction.on_commit(partial(order_mail_send.delay, instance.pk), robust=True)
