"""The Django app that keeps the records and shows them."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class ShopConfig(AppConfig):
    """Records, pages and API."""

    name = "shop"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Load the Celery app here, so that importing the pure rooms never loads Django."""
        import shop.celery  # noqa: F401
        from shop.services.kept_use import lay_triggers

        post_migrate.connect(lay_triggers, sender=self)
