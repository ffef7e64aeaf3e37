"""How the pages write figures with their range."""

from typing import Any

from django import template

from intervals.exchange.propagation import Spread
from intervals.quantities import from_l
from shop.templatetags.show import THIN

register = template.Library()


@register.filter
def litre_range(spread: Spread | None, depot: Any = None) -> str:
    """Write the range of litres, to a tenth below a hundred, in the unit the depot counts in: “10.0–11.2 L”."""
    if spread is None:
        return ""
    low, high, unit = spread.low, spread.high, "L"
    if depot is not None and depot.volume_unit == "US gal":
        low, high, unit = from_l(low, "US gal"), from_l(high, "US gal"), "US gal"
    places = 0 if high >= 100 else 1
    return f"{low:.{places}f}–{high:.{places}f}\u00a0{unit}"


@register.filter
def share_range(spread: Spread | None) -> str:
    """Write the range of a share in whole per cent, “72–81 %”; it never reads 100 before it is there."""
    if spread is None:
        return ""
    high = min(spread.high, 0.99) if spread.high < 1.0 else spread.high
    return f"{100 * spread.low:.0f}–{100 * max(high, spread.low):.0f}{THIN}%"


@register.filter
def product_words(name: str) -> str:
    """Write a product figure's name in words: kv40_mm2_s → “Viscosity at 40 °C”."""
    return {
        "density15_kg_m3": "Density at 15 °C",
        "kv40_mm2_s": "Viscosity at 40 °C",
        "kv100_mm2_s": "Viscosity at 100 °C",
    }[name]


@register.filter
def of_key(mapping: Any, key: Any) -> Any:
    """Look a key up in a mapping; nothing where it is not in it."""
    return mapping.get(key) if mapping else None
