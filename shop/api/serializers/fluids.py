"""The fluid questions over the API: fewest products, jug or drum, change to another. Nothing is stored."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.derived import shape_of
from shop.planning.pack_costs import MONEY_AND_ROOM_SHARE_PER_YEAR
from shop.selectors.change_over import MOST_HOSES_L
from shop.selectors.change_over_facts import ChangePlan
from shop.selectors.fewest import Fewest, FewestAsked
from shop.selectors.fluid_fit import STRENGTHS
from shop.selectors.pack_choice import RANGES, PackChoiceShown, PacksAsked
from shop.selectors.shelf_level_facts import ShelfLevel
from shop.selectors.shelf_levels import LOOKS, WATCHED


class Codes(serializers.CharField):
    """Product codes with commas."""

    def to_internal_value(self, data: Any) -> tuple[str, ...]:
        """Return them, each once."""
        text = super().to_internal_value(data)
        return tuple(dict.fromkeys(one.strip() for one in text.split(",") if one.strip()))


class FewestQuery(serializers.Serializer[Any]):
    """What the search may do; what is left out is as on the page."""

    weakest = serializers.ChoiceField(
        choices=STRENGTHS, required=False, default="house", help_text="Weakest approval accepted."
    )
    rinse = serializers.BooleanField(
        required=False, default=False, help_text="Accept a rinse fill where two fluids must not meet."
    )
    keep = Codes(
        required=False,
        default="",
        allow_blank=True,
        max_length=400,
        help_text="Codes that stay, with commas.",
    )
    never = Codes(
        required=False,
        default="",
        allow_blank=True,
        max_length=400,
        help_text="Codes not to use, with commas.",
    )
    keeping_share = serializers.FloatField(
        required=False, default=MONEY_AND_ROOM_SHARE_PER_YEAR, min_value=0, max_value=1,
        help_text="What keeping stock costs in a year, share of its value: money tied up, room, insurance.",
    )  # fmt: skip

    def asked(self) -> FewestAsked:
        """Return the question."""
        given = self.validated_data
        return FewestAsked(
            given["weakest"],
            given["rinse"],
            tuple(given["keep"]),
            tuple(given["never"]),
            given["keeping_share"],
        )


def _figure(name: str) -> serializers.FloatField:
    low, high = RANGES[name]
    return serializers.FloatField(
        required=False, default=getattr(PacksAsked(), name), min_value=low, max_value=high
    )


PacksQuery = type(
    "PacksQuery",
    (serializers.Serializer,),
    {name: _figure(name) for name in RANGES} | {"__doc__": PacksAsked.__doc__},
)


class ReplaceQuery(serializers.Serializer[Any]):
    """By which product."""

    by = serializers.CharField(max_length=24, help_text="Code of the product to change to.")
    hoses_l = serializers.FloatField(
        required=False, default=None, min_value=0, max_value=MOST_HOSES_L,
        help_text="Litres that stay in the hoses of an exchange machine.",
    )  # fmt: skip


class ShelfLevelQuery(serializers.Serializer[Any]):
    """How often the shelf is looked at, and of which product."""

    look = serializers.ChoiceField(
        choices=list(LOOKS), required=False, default=WATCHED, help_text="With every taking, or once a week."
    )
    product = serializers.CharField(
        required=False, default="", max_length=24, help_text="Code of a product; left out: all of them."
    )


FewestAnswer = shape_of(Fewest, "FewestAnswer")
PacksAnswer = shape_of(PackChoiceShown, "PacksAnswer")
ReplaceAnswer = shape_of(ChangePlan, "ReplaceAnswer")
ShelfLevelAnswer = shape_of(ShelfLevel, "ShelfLevelAnswer")
