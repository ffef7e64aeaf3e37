"""The count of a shelf: a sheet to print and fill in, and a form that books the differences."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from shop.errors import ApplicationError
from shop.selectors.stock import packs_to_count, shelves_seen
from shop.services.stock_counting import Counted, shelf_count
from shop.web.access import for_those_who
from shop.web.plain_form import PlainForm, amount_field


class CountForm(PlainForm):
    """Litres counted of each pack of a shelf; what is left empty was not counted."""

    note = forms.CharField(label="What explains the differences", max_length=200, required=False)

    def __init__(self, *args: Any, items: list[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.items = items
        for own in items:
            self.fields[f"litres_{own.pk}"] = amount_field(f"{own.product.code} {own.label}", "L")
            self.fields[f"books_{own.pk}"] = forms.FloatField(
                widget=forms.HiddenInput, initial=own.on_shelf_l, required=False
            )

    def rows(self) -> list[tuple[Any, forms.BoundField, forms.BoundField]]:
        """Return each pack with its field and what the books said when the sheet was made."""
        return [(own, self[f"litres_{own.pk}"], self[f"books_{own.pk}"]) for own in self.items]

    def counted(self) -> list[Counted]:
        """Return the packs that were counted."""
        given = self.cleaned_data
        return [
            Counted(own, given[f"litres_{own.pk}"], given[f"books_{own.pk}"] or 0.0)
            for own in self.items
            if given[f"litres_{own.pk}"] is not None
        ]

    def clean(self) -> dict[str, Any]:
        """Ask for at least one count."""
        given: dict[str, Any] = super().clean() or {}
        if not self.errors and all(given.get(f"litres_{own.pk}") is None for own in self.items):
            self.add_error(None, "Nothing is counted yet; type the litres of at least one pack.")
        return given


@require_http_methods(["GET", "POST"])
@for_those_who("plan", "close", refusal="Your role may not count stock. Stores or the foreman can.")
def count_sheet(request: HttpRequest) -> HttpResponse:
    """Show a shelf's sheet, in the order of its places, and book what was counted."""
    shelves = list(shelves_seen(request.user))
    asked = request.GET.get("shelf", "")
    shelf = next((own for own in shelves if own.code == asked), shelves[0] if shelves else None)
    if shelf is None:
        raise Http404("No shelf serves your depots.")
    items = packs_to_count(shelf)
    form = CountForm(request.POST or None, items=items)
    if request.method == "POST" and form.is_valid():
        counted = form.counted()
        try:
            moved = shelf_count(request.user, shelf, counted, form.cleaned_data["note"])
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(request, _told(len(counted), moved))
            return redirect("stock")
    return _page(request, shelf, shelves, form)


def _page(request: HttpRequest, shelf: Any, shelves: list[Any], form: CountForm) -> HttpResponse:
    context = {"form": form, "shelf": shelf, "shelves": shelves}
    return render(request, "shop/stock_count.html", context, status=422 if form.errors else 200)


def _told(counted: int, moved: list[Any]) -> str:
    told = f"{counted} pack{'s' if counted != 1 else ''} counted"
    if not moved:
        return f"{told}: the books were right."
    rows = ", ".join(f"{own.item.product.code} “{own.item.label}” {own.litres:+.2f} L" for own in moved)
    return f"{told}; booked: {rows}."
