"""How the bench writes times."""

from django import template

from shop.templatetags.show import MISSING, amount

register = template.Library()


@register.filter
def hours(minutes: float | None) -> str:
    """Write minutes as “30 min” below an hour, else as hours: “1.5 h”."""
    if minutes is None:
        return MISSING
    return f"{amount(minutes)}\u00a0min" if minutes < 60 else f"{amount(minutes / 60)}\u00a0h"
