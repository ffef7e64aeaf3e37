"""A form whose errors stand beside its fields, and the fields forms share."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest

from shop.errors import ApplicationError


class PlainForm(forms.Form):
    """A form whose errors stand beside its fields, those of the services as well."""

    required_css_class = "is-needed"

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, label_suffix="", **kwargs)

    def take_errors(self, error: ApplicationError) -> None:
        """Put a service's sentences beside the fields they are about, the rest on top."""
        placed = {name: text for name, text in error.fields.items() if name in self.fields}
        for name, text in placed.items():
            self.add_error(name, text)
        if not placed or error.sentence not in placed.values():
            self.add_error(None, error.sentence)

    def tell_errors(self, request: HttpRequest) -> None:
        """Say what is wrong on the next page, where the form itself does not stand again."""
        for sentences in self.errors.values():
            messages.error(request, " ".join(sentences))


def amount_field(
    label: str, unit: str, least: float | None = 0.0, most: float | None = None, *, is_needed: bool = False
) -> forms.FloatField:
    """Return a field for a figure in a unit, typed on a phone's number pad."""
    field = forms.FloatField(
        label=f"{label}, {unit}",
        required=is_needed,
        min_value=least,
        max_value=most,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "class": "figure"}),
        error_messages={"invalid": f"Write a number in {unit} with a decimal point, e.g. 6.1."},
    )
    field.unit = unit
    return field


def day_field(label: str, *, is_needed: bool = True) -> forms.DateField:
    """Return a field for a day."""
    return forms.DateField(
        label=label, required=is_needed, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
