"""The depots, for programs that go through all of them."""

from shop.models import Depot


def all_depots() -> list[Depot]:
    """Return every depot, by code."""
    return list(Depot.objects.select_related("stores_at").order_by("code"))
