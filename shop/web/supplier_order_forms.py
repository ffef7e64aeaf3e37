"""Forms of the order pages."""

from typing import Any

from django import forms

from shop.web.plain_form import PlainForm, day_field

MAIL, BY_WORD = "mail", "by word"
MOST_PACKS = 9_999


class DraftForm(PlainForm):
    """A draft of an order: how many of each pack, how the supplier is told, what is noted."""

    draft = forms.IntegerField(min_value=0, widget=forms.HiddenInput)
    how = forms.ChoiceField(
        label="How the supplier is told",
        choices=[
            (MAIL, "by mail, PDF and CSV attached"),
            (BY_WORD, "no mail: by word of mouth"),
        ],
    )
    mail_to = forms.CharField(label="Mail goes to", max_length=254, required=False)
    told = forms.CharField(label="Who took the order, if no mail goes out", max_length=80, required=False)
    expected_on = day_field("Day the supplier named, if another", is_needed=False)
    note = forms.CharField(label="Note printed on the order", max_length=300, required=False)
    below_minimum_reason = forms.CharField(
        label="If below the minimum: why it is ordered all the same", max_length=200, required=False
    )

    def __init__(self, *args: Any, draft: Any, **kwargs: Any) -> None:
        initial = {
            "draft": draft.number,
            "how": MAIL if draft.supplier.mail else BY_WORD,
            "mail_to": draft.supplier.mail,
        }
        super().__init__(*args, initial=initial, **kwargs)
        self.offered = {_name(own): own for own in draft.packs}
        for name, own in self.offered.items():
            self.fields[name] = forms.IntegerField(
                label=f"{own.pack.product.code} {own.pack.printed}, packs",
                required=False,
                min_value=0,
                max_value=MOST_PACKS,
                initial=own.count,
                widget=forms.TextInput(
                    attrs={"inputmode": "numeric", "autocomplete": "off", "class": "count"}
                ),
            )

    def rest(self) -> list[forms.BoundField]:
        """Return the fields below the packs."""
        return [
            self[name] for name in ("how", "mail_to", "told", "expected_on", "note", "below_minimum_reason")
        ]

    def rows(self, product: Any) -> list[tuple[Any, forms.BoundField]]:
        """Return the packs of one product with their fields."""
        return [(own.pack, self[_name(own)]) for own in product.packs]

    def counts(self) -> list[tuple[Any, int]]:
        """Return every pack with how many of it, as typed or as the draft begins."""
        if not self.is_bound:
            return [(own.pack, own.count) for own in self.offered.values()]
        return [(own.pack, self.cleaned_data.get(name) or 0) for name, own in self.offered.items()]


class CancelForm(PlainForm):
    """Why an order is cancelled."""

    reason = forms.CharField(label="Why it is cancelled", max_length=200)


class ChaseForm(PlainForm):
    """What a supplier said about a late order."""

    promised_on = day_field("New day the supplier named")
    note = forms.CharField(label="Who said so", max_length=200)


class GiveUpForm(PlainForm):
    """Why the rest of a line will not come."""

    note = forms.CharField(label="Why the rest will not come", max_length=200)


def _name(own: Any) -> str:
    return f"count_{own.pack.pk}"
