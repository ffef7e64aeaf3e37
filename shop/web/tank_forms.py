"""Forms of the tank pages."""

from typing import Any

from django import forms

from shop.web.plain_form import PlainForm, amount_field


class TankDipForm(PlainForm):
    """A dip: litres or millimetres, and the temperature of the fluid."""

    mm = amount_field("Stick wet to", "mm")
    litres = amount_field("Or litres as read", "L")
    temp_c = amount_field("Fluid", "°C", -50, 150)
    note = forms.CharField(label="Note", max_length=200, required=False)


class IssueForm(PlainForm):
    """Litres by the meter, outside a job."""

    litres = amount_field("By the meter", "L", is_needed=True)
    note = forms.CharField(label="For what", max_length=200)


class DeliveryForm(PlainForm):
    """Litres delivered, against an order or without one."""

    order = forms.ModelChoiceField(None, label="Order", required=False, empty_label="without an order")
    litres = amount_field("Delivered", "L", is_needed=True)
    batch = forms.CharField(label="Batch on the delivery note", max_length=40)
    note = forms.CharField(label="Note", max_length=150, required=False)

    def __init__(self, *args: Any, orders: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["order"].queryset = orders
        self.fields["order"].label_from_instance = _order_words


class CorrectionForm(PlainForm):
    """Why the books are put right by the dip."""

    note = forms.CharField(label="Why the books are put right", max_length=180)


class TankForm(PlainForm):
    """A tank: what it is called, how much it holds, its dip table."""

    code = forms.CharField(label="Code on the tank", max_length=24)
    name = forms.CharField(label="Name", max_length=80, required=False)
    capacity_l = amount_field("Capacity", "L", is_needed=True)
    marks = forms.CharField(
        label="Dip table: millimetres and litres, one pair a line", required=False,
        widget=forms.Textarea(attrs={"rows": 6, "placeholder": "0 0\n600 750\n1200 1500"}),
    )  # fmt: skip

    def clean_marks(self) -> tuple[tuple[float, float], ...]:
        """Return the pairs; a line that is none is named."""
        found = []
        for row, line in enumerate(self.cleaned_data["marks"].splitlines(), start=1):
            if not line.strip():
                continue
            try:
                mm, litres = (float(part) for part in line.replace(";", " ").split())
            except ValueError as error:
                raise forms.ValidationError(
                    f"Line {row}: write millimetres and litres, e.g. “600 750”, with decimal points."
                ) from error
            found.append((mm, litres))
        return tuple(found)


def _order_words(order: Any) -> str:
    return f"{order.outstanding_l:g} L from {order.supplier.name}, ordered {order.ordered_on}"
