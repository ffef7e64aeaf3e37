"""What all views share: rows of the person's own depots only, strict filters, sentences for what is not there."""

from collections.abc import Callable
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import generics
from rest_framework.exceptions import NotFound
from rest_framework.permissions import IsAuthenticated

from shop.api.filters import StrictFilters
from shop.api.permissions import RoleMay


class Scoped(generics.GenericAPIView):
    """A view over rows a selector cut down to the person's depots.

    Attributes:
        rows: selector from a person to the rows seen, named in brackets so that it stays a plain function.
        order: order of a list, ending in a unique column; empty: the selector's own or the model's.
        related: related rows fetched together with the rows.
        needs: actions of which one must be allowed before anything is written.
        what: word for one row, used in refusals.
    """

    rows: ClassVar[Callable[..., QuerySet[Any]]]
    order: ClassVar[tuple[Any, ...]] = ()
    related: ClassVar[tuple[str, ...]] = ()
    needs: ClassVar[tuple[str, ...]] = ()
    what: ClassVar[str] = "row"
    permission_classes = (IsAuthenticated, RoleMay)
    filter_backends = (StrictFilters,)

    def get_queryset(self) -> QuerySet[Any]:
        """Return the rows the signed-in person sees."""
        if getattr(self, "swagger_fake_view", False):
            return self.get_serializer_class().Meta.model.objects.none()
        rows = type(self).rows(self.request.user).prefetch_related(*self.related)
        return rows.order_by(*self.order) if self.order else rows

    def get_object(self) -> Any:
        """Return the row the address names; another depot's row is as unknown as none at all."""
        row = self.filter_queryset(self.get_queryset()).filter(**self.kwargs).first()
        if row is None:
            raise missing(self.what, " ".join(str(value) for value in self.kwargs.values()))
        return row


def missing(what: str, name: str) -> NotFound:
    """Return the refusal for a row that is not there or not in the person's depots."""
    return NotFound(
        f"There is no {what} “{name}” in your depots; check the address, or ask for its depot to be added to you."
    )
