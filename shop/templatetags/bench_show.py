"""How the bench writes times and spans of shares."""

from django import template

from shop.templatetags.show import MISSING, amount, whole_share

register = template.Library()


@register.filter
def hours(minutes: float | None) -> str:
    """Write minutes as “30 min” below an hour, else as hours: “1.5 h”."""
    if minutes is None:
        return MISSING
    return f"{amount(minutes)}\u00a0min" if minutes < 60 else f"{amount(minutes / 60)}\u00a0h"


@register.filter
def up_to(least: float | None, most: float | None) -> str:
    """Write two shares as one span in whole per cent: “72–80 %”."""
    return MISSING if least is None or most is None else f"{100 * least:.0f}–{whole_share(most)}"
