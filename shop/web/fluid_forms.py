"""The forms of the fluid pages. They ask; nothing is stored."""

import re
from typing import Any

from django import forms

from shop.planning.pack_costs import MONEY_AND_ROOM_SHARE_PER_YEAR
from shop.selectors.change_over import MOST_HOSES_L
from shop.selectors.fewest import FewestAsked
from shop.selectors.fluid_fit import STRENGTH_WORDS, STRENGTHS
from shop.selectors.pack_choice import RANGES, PacksAsked
from shop.web.plain_form import PlainForm, amount_field

CODES = re.compile(r"[\s,;]+")


def _codes(label: str, help_text: str) -> forms.CharField:
    return forms.CharField(
        label=label,
        required=False,
        max_length=400,
        help_text=help_text,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )


class FewestForm(PlainForm):
    """What the search may do."""

    weakest = forms.ChoiceField(
        label="Weakest approval accepted",
        choices=[(own, STRENGTH_WORDS[own]) for own in STRENGTHS],
        help_text="Claimed suitable: a named person must approve it before it may go in.",
    )
    rinse = forms.BooleanField(label="Rinse fill accepted where fluids must not meet", required=False)
    keep = _codes("Keep whatever", "Codes with spaces, e.g. F04 F05.")
    never = _codes("Do not use", "Codes with spaces.")
    keeping = amount_field("Keeping stock costs", "% of its value a year", 0, 100)

    @staticmethod
    def filled(typed: Any) -> Any:
        """Return what was typed with the defaults where nothing was."""
        data = typed.copy()
        data.setdefault("weakest", FewestAsked().weakest)
        data.setdefault("keeping", f"{MONEY_AND_ROOM_SHARE_PER_YEAR * 100:g}")
        return data

    def asked(self) -> FewestAsked:
        """Return the question."""
        given = self.cleaned_data
        share = MONEY_AND_ROOM_SHARE_PER_YEAR if given["keeping"] is None else given["keeping"] / 100.0
        return FewestAsked(
            given["weakest"], given["rinse"], _split(given["keep"]), _split(given["never"]), share
        )  # fmt: skip


def _split(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one for one in CODES.split(text) if one))


def _figure(label: str, unit: str, name: str) -> forms.FloatField:
    return amount_field(label, unit, *RANGES[name])


class PacksForm(PlainForm):
    """The figures behind jug, drum or tank."""

    litres_per_year = _figure("Use", "L a year", "litres_per_year")
    labour_per_h = _figure("Labour", "per h", "labour_per_h")
    small_minutes = _figure("By hand, time", "min a litre", "small_minutes")
    small_loss = _figure("By hand, loss", "money a litre", "small_loss")
    large_minutes = _figure("Pumped, time", "min a litre", "large_minutes")
    large_loss = _figure("Pumped, loss", "money a litre", "large_loss")
    large_fixed = _figure("Pumped, stand and pump", "money a year", "large_fixed")
    tank_l = _figure("Tank", "L", "tank_l")
    tank_price_per_l = _figure("Tank, price", "money a litre", "tank_price_per_l")
    tank_minutes = _figure("Tank, time", "min a litre", "tank_minutes")
    tank_loss = _figure("Tank, loss", "money a litre", "tank_loss")
    tank_fixed = _figure("Tank, upkeep", "money a year", "tank_fixed")

    MAIN = ("litres_per_year", "tank_l", "tank_price_per_l")

    def main(self) -> list[forms.BoundField]:
        """Return the fields shown at once."""
        return [self[name] for name in self.MAIN]

    def behind(self) -> list[forms.BoundField]:
        """Return the figures that are seldom changed."""
        return [self[name] for name in self.fields if name not in self.MAIN]

    @staticmethod
    def filled(typed: Any) -> Any:
        """Return what was typed with the defaults where nothing was."""
        data, usual = typed.copy(), PacksAsked()
        for name in RANGES:
            default = getattr(usual, name)
            if default is not None and not data.get(name):
                data[name] = f"{default:g}"
        return data

    def asked(self) -> PacksAsked:
        """Return the question."""
        return PacksAsked(**self.cleaned_data)


class ReplaceForm(PlainForm):
    """By which product, and what the machine's hoses keep."""

    by = forms.ChoiceField(label="By")
    hoses_l = amount_field("Exchange machine's hoses keep", "L", 0, MOST_HOSES_L)
