"""How the pages write what was learned, each figure in its own unit."""

from typing import Any

from django import template

from shop.templatetags.show import MISSING, amount, number

register = template.Library()

_PRECISE = {"L": 3, "mL/mm": 2, "-": 3}
_ON_CARD = {"mL/mm": 1, "-": 2}


@register.filter
def figure_in(value: Any, measured_in: str) -> str:
    """Write a figure as a card says it, with its unit."""
    if value is None:
        return MISSING
    if measured_in == "share":
        return f"{number(100 * value, 1)}\u00a0%"
    text = number(value, _ON_CARD[measured_in]) if measured_in in _ON_CARD else amount(value)
    return _with_unit(text, measured_in)


@register.simple_tag
def learned_figure(value: float, sd: float, measured_in: str) -> str:
    """Write a learned figure with its standard deviation and unit."""
    if measured_in == "share":
        return f"{number(100 * value, 2)} ± {number(100 * sd, 2)}\u00a0%"
    places = _PRECISE.get(measured_in, 3)
    return _with_unit(f"{number(value, places)} ± {number(sd, places)}", measured_in)


def _with_unit(text: str, measured_in: str) -> str:
    return text if measured_in == "-" else f"{text}\u00a0{measured_in}"
