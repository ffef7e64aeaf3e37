"""Forms of the stock pages."""

from typing import Any

from django import forms
from django.db.models import QuerySet

from shop.selectors.stock import products_known
from shop.web.plain_form import PlainForm, amount_field

PACK_FIELDS = ("pack_size_l", "count", "batch", "use_by", "place", "is_seal_whole")


class MoveForm(PlainForm):
    """One booking on one item."""

    what = forms.ChoiceField(label="What happened")
    litres = amount_field("How much", "L")
    label = forms.CharField(
        label="Label of the can",
        max_length=40,
        required=False,
        help_text="Only for what is poured into a can.",
    )
    to = forms.ModelChoiceField(
        None, label="To", required=False, empty_label="choose a shelf", help_text="Only for what is moved."
    )
    note = forms.CharField(
        label="Why",
        max_length=200,
        required=False,
        help_text="Needed for a write-off; for a count, what explains the difference.",
    )

    def __init__(self, *args: Any, shelves: QuerySet[Any], item: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        others = shelves.exclude(pk=item.depot_id)
        choices = [("count", "counted: this much is there"), ("write off", "gone: spilt, too old")]
        if item.opened_on is None:
            choices.append(("open", "one pack opened"))
        choices.append(("decant", "poured into a can"))
        if others:
            choices.append(("transfer", "moved to another shelf"))
            self.fields["to"].queryset = others
        else:
            del self.fields["to"]
        self.fields["what"].choices = choices

    def clean(self) -> dict[str, Any]:
        """Ask for what the chosen booking needs."""
        given: dict[str, Any] = super().clean() or {}
        what = given.get("what")
        if what and what != "open" and given.get("litres") is None and "litres" not in self.errors:
            self.add_error("litres", "Give the litres.")
        if what == "transfer" and not given.get("to"):
            self.add_error("to", "Choose the shelf they went to.")
        return given


class BatchForm(PlainForm):
    """Why a batch is set aside or released."""

    note = forms.CharField(label="Why", max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off"}))


class GoodsInForm(PlainForm):
    """Packs that arrived: the order they belong to, the fluid, and a few rows of equal packs."""

    code = forms.CharField(
        label="Scan a pack",
        max_length=120,
        required=False,
        help_text="Batch, use-by and size come from a GS1 code; any other code is taken as the batch. Each scan is one "
        "pack; nothing is booked by it.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "off", "spellcheck": "false"}),
    )
    order = forms.ModelChoiceField(None, label="Order", required=False, empty_label="without an order")
    product = forms.ModelChoiceField(
        None, label="Fluid as printed on the pack", empty_label="choose the fluid"
    )
    shelf = forms.ModelChoiceField(None, label="Shelf", empty_label="choose the shelf")

    def __init__(
        self, *args: Any, orders: QuerySet[Any], shelves: QuerySet[Any], rows: int, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.rows = rows
        self.fields["order"].queryset = orders
        self.fields["order"].label_from_instance = _order_words
        self.fields["product"].queryset = products_known()
        self.fields["shelf"].queryset = shelves
        if shelves.count() == 1:
            self.fields["shelf"].initial = shelves[0].pk
        for row in range(1, rows + 1):
            self._add_row(row)

    def _add_row(self, row: int) -> None:
        own = {
            "pack_size_l": amount_field("Pack size", "L"),
            "count": forms.IntegerField(
                label="Packs",
                required=False,
                min_value=1,
                widget=forms.TextInput(attrs={"inputmode": "numeric"}),
            ),
            "batch": forms.CharField(label="Batch", max_length=40, required=False),
            "use_by": forms.DateField(
                label="Use-by",
                required=False,
                widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            ),
            "place": forms.CharField(label="Place", max_length=16, required=False),
            "is_seal_whole": forms.BooleanField(label="Seal whole", required=False, initial=True),
        }
        for name, field in own.items():
            self.fields[f"{name}_{row}"] = field

    def head(self) -> list[forms.BoundField]:
        """Return the fields above the rows."""
        return [self[name] for name in ("order", "product", "shelf")]

    def rows_shown(self) -> list[list[forms.BoundField]]:
        """Return the fields of each row of packs."""
        return [[self[f"{name}_{row}"] for name in PACK_FIELDS] for row in range(1, self.rows + 1)]

    def pack_rows(self) -> list[dict[str, Any]]:
        """Return the rows that were filled in."""
        rows = []
        for row in range(1, self.rows + 1):
            own = {name: self.cleaned_data[f"{name}_{row}"] for name in PACK_FIELDS}
            if any(own[name] for name in ("pack_size_l", "count", "batch", "use_by")):
                rows.append({**own, "pack_size_l": own["pack_size_l"] or 0.0, "count": own["count"] or 0})
        return rows


def _order_words(order: Any) -> str:
    return (
        f"{order.product.code} {order.outstanding_l:g} L from {order.supplier.name}, ordered {order.ordered_on}, "
        f"expected {order.expected_on}"
    )


class ReserveForm(PlainForm):
    """Litres for a unit's next job."""

    litres = amount_field("Litres to reserve", "L", is_needed=True)


class FreeForm(PlainForm):
    """Why reserved litres are free again."""

    note = forms.CharField(label="Why it is free again", max_length=200)
