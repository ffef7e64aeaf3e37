"""The Django app that keeps the records and shows them."""

from django.apps import AppConfig


class ShopConfig(AppConfig):
    """Records, pages and API."""

    name = "shop"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Load the Celery app here, so that importing the pure rooms never loads Django."""
        import shop.celery  # noqa: F401
