"""How the pages write figures, days and state marks; rounding happens here and nowhere before."""

import datetime
import math
import re
import zoneinfo
from decimal import Decimal
from functools import cache
from typing import Any

from django import template
from django.template import Context
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from intervals.quantities import from_l
from shop import clock
from shop.selectors.access import depots_seen

register = template.Library()

THIN = "\u202f"
MISSING = "–"
BORDERS = (0.9, 1.0, 1.1)

MARKS = {
    "late": '<path d="M8 1.2 15.2 14.4H.8Z" fill="currentColor"/>',
    "due": '<path d="M8 .8 15.2 8 8 15.2.8 8Z" fill="currentColor"/>',
    "window open": '<rect x="1.5" y="1.5" width="13" height="13" fill="none" stroke="currentColor" stroke-width="1.6"/>'
    '<path d="M2 9 9 2M4.5 14 14 4.5M9.5 14.5 14.5 9.5" stroke="currentColor" stroke-width="1.6"/>',
    "not yet": '<circle cx="8" cy="8" r="6.2" fill="none" stroke="currentColor" stroke-width="1.6"/>',
    "cannot say": '<circle cx="8" cy="8" r="6.8" fill="none" stroke="currentColor" stroke-width="1.2"/>'
    '<path d="M5.7 6.3a2.3 2.3 0 1 1 3.4 2c-.8.4-1.1.8-1.1 1.7" fill="none" stroke="currentColor" '
    'stroke-width="1.7"/><circle cx="8" cy="12" r="1.1" fill="currentColor"/>',
    "must not move": '<path d="M5 .8h6L15.2 5v6L11 15.200H5L.8 11V5Z" fill="currentColor"/>'
    '<rect x="3.6" y="6.7" width="8.8" height="2.6" fill="var(--mark-gap)"/>',
    "on hold": '<rect x="2.5" y="2" width="4" height="12" fill="currentColor"/>'
    '<rect x="9.5" y="2" width="4" height="12" fill="currentColor"/>',
    "after season": '<path d="M2 1.500h12L8 8l6 6.500H2L8 8Z" fill="none" stroke="currentColor" stroke-width="1.6"/>',
    "waiting for fluid": '<path d="M8 1C5 5.3 3.4 7.6 3.4 10a4.6 4.6 0 0 0 9.2 0C12.6 7.6 11 5.3 8 1Z"'
    ' fill="none" stroke="currentColor" stroke-width="1.6"/>',
    "leaving": '<path d="M1 8h12M8.5 3l5 5-5 5" fill="none" stroke="currentColor" stroke-width="2"/>',
}


@register.simple_tag
@cache
def mark(state: str) -> SafeString:
    """Draw the mark of a state or overlay; its word always stands beside it, so it is silent to screen readers."""
    drawing = MARKS.get(state, MARKS["cannot say"])
    return format_html(
        '<svg class="mark" viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" focusable="false">{}</svg>',
        mark_safe(drawing),
    )


@register.filter
def slug(state: str) -> str:
    """Return a state as a class name: “window open” → “window-open”."""
    return state.replace(" ", "-")


@register.filter
def number(value: Any, places: int = 0) -> str:
    """Write a figure with thin spaces between thousands; what is not known is a dash."""
    if not _is_known(value):
        return MISSING
    return f"{float(value):,.{places}f}".replace(",", THIN).replace("-", "−")


@register.filter
def amount(value: Any) -> str:
    """Write a figure with no more decimals than it needs, two at most: 10.10 → 10.1."""
    if not _is_known(value):
        return MISSING
    text = f"{float(value):,.2f}".rstrip("0").rstrip(".")
    return ("0" if text in {"-0", ""} else text).replace(",", THIN).replace("-", "−")


@register.filter
def part_amount(part: Any) -> str:
    """Write how much of a part: “2 ×” of pieces, “3 pairs”, else the figure and its unit."""
    quantity, unit = (
        (part["quantity"], part["unit"]) if isinstance(part, dict) else (part.quantity, part.unit)
    )
    figure = amount(quantity)
    if unit == "piece":
        return f"{figure} ×"
    return f"{figure} {unit}s" if unit == "pair" and figure != "1" else f"{figure} {unit}"


@register.filter
def share(value: Any) -> str:
    """Write a share of an interval in per cent; it never reads as 90, 100 or 110 before it is there."""
    if not _is_known(value):
        return MISSING
    rounded = round(float(value), 3)
    if any(float(value) < border <= rounded for border in BORDERS):
        rounded = math.floor(float(value) * 1000) / 1000
    return f"{rounded * 100:.1f}".removesuffix(".0") + f"{THIN}%"


@register.filter
def signed_share(value: Any) -> str:
    """Write a small share with its sign in per cent, to a hundredth."""
    return f"{float(value) * 100:.2f}".replace("-", "−") + f"{THIN}%" if _is_known(value) else MISSING


@register.filter
def whole_share(value: Any) -> str:
    """Write a share of a fill in whole per cent."""
    return f"{float(value) * 100:.0f}{THIN}%" if _is_known(value) else MISSING


@register.filter
def weeks_of(value: Any) -> str:
    """Write a share of the time as weeks: “2.1 weeks in 100”, “3 weeks in 1 000”, or fewer than one in 1 000."""
    if not _is_known(value):
        return MISSING
    if float(value) >= 0.01:
        return f"{amount(round(float(value) * 100, 1))}\u00a0weeks in\u00a0100"
    weeks = round(float(value) * 1000)
    if weeks < 1:
        return f"under 1\u00a0week in 1{THIN}000"
    return f"{weeks}\u00a0week{'' if weeks == 1 else 's'} in 1{THIN}000"


@register.filter
def run(value: Any, unit: str) -> str:
    """Write a distance, hours or days in the vehicle's own unit: “3 000 km”, “17.5 h”, “18 days”."""
    if not _is_known(value):
        return MISSING
    text = number(value, 1 if unit == "h" else 0)
    return f"{text} {'day' if unit == 'days' and text == '1' else unit}".replace(" ", "\u00a0")


@register.filter
def litres(value: Any, depot: Any = None) -> str:
    """Write litres, from ten on to a tenth, with US gallons beside them for a depot that uses them."""
    if not _is_known(value):
        return MISSING
    text = f"{amount(round(float(value), 1 if abs(float(value)) >= 10 else 2))}\u00a0L"
    if depot is not None and depot.volume_unit == "US gal":
        text += f" ({from_l(float(value), 'US gal'):.2f}\u00a0US gal)"
    return text


@register.filter
def money(value: Any, currency: str = "") -> str:
    """Write an amount of money with two decimals and its currency."""
    if value in (None, ""):
        return MISSING
    return f"{Decimal(str(value)):,.2f}".replace(",", THIN) + (f"\u00a0{currency}" if currency else "")


@register.filter
def day(value: Any, today: datetime.date | None = None) -> str:
    """Write a day as “22 Mar”, with its year when that is not this year's."""
    when = _as_day(value)
    if when is None:
        return MISSING
    text = f"{when.day}\u00a0{when:%b}"
    return text if today is not None and when.year == today.year else f"{text}\u00a0{when.year}"


@register.filter
def weekday(value: Any) -> str:
    """Write a day with its weekday: “Thu 5 Mar”."""
    when = _as_day(value)
    return MISSING if when is None else f"{when:%a} {when.day}\u00a0{when:%b}"


@register.filter
def day_range(line: Any) -> str:
    """Write the span of a due date: “18–26 Mar”, or “27 Mar – 6 Apr” over two months."""
    low, high = line.due_low_on, line.due_high_on
    if low is None or high is None or low == high:
        return ""
    if (low.year, low.month) == (high.year, high.month):
        return f"{low.day}–{high.day}\u00a0{high:%b}"
    return f"{low.day}\u00a0{low:%b} – {high.day}\u00a0{high:%b}"


@register.filter
def today_there(depot: Any) -> datetime.date:
    """Return a depot's own today."""
    return clock.today(depot.time_zone)


@register.filter
def local(value: datetime.datetime | None, time_zone: str) -> str:
    """Write an instant in a depot's local time, “Fri 27 Feb 15:40”, with its year when that is not this year's."""
    if value is None:
        return MISSING
    there = value.astimezone(zoneinfo.ZoneInfo(time_zone))
    year = "" if there.year == clock.today(time_zone).year else f"\u00a0{there.year}"
    return f"{there:%a} {there.day}\u00a0{there:%b}{year} {there:%H:%M}"


@register.filter
def local_hour(value: datetime.datetime | None, time_zone: str) -> str:
    """Write only the local hour of an instant."""
    return MISSING if value is None else f"{value.astimezone(zoneinfo.ZoneInfo(time_zone)):%H:%M}"


@register.filter
def figure_words(name: str) -> str:
    """Write a card figure's name in words: overnight_drain_l → “overnight drain”."""
    plain = {
        "ml_per_mm": "level per millimetre of stick",
        "stick_ref_c": "stick temperature",
        "reading_error_share": "reading error",
    }
    for ending in ("_l_per_min", "_per_l", "_l", "_c"):
        name = name if name in plain else name.removesuffix(ending)
    return plain.get(name, name.replace("_", " "))


@register.filter
def unbroken(sentence: str) -> str:
    """Keep a figure with thousands on one line, whatever the column's width."""
    return re.sub(r"(?<=\d) (?=\d{3}\b)", THIN, sentence)


@register.filter
def may(person: Any, action: str) -> bool:
    """Say whether a person's role allows an action."""
    return bool(person.can(action))


@register.simple_tag(takes_context=True)
def here(context: Context, name: str) -> SafeString:
    """Mark the navigation link of the page shown."""
    match = getattr(context.get("request"), "resolver_match", None)
    return mark_safe(' aria-current="page"' if match and match.url_name == name else "")


@register.inclusion_tag("shop/_day_shown.html")
def day_shown(person: Any) -> dict[str, Any]:
    """Show the depots a person sees and the day the pages stand on."""
    depots = depots_seen(person)
    days = sorted({clock.today(depot.time_zone) for depot in depots})
    return {"depots": depots, "days": days, "is_pinned": clock.is_pinned()}


def _is_known(value: Any) -> bool:
    return value not in (None, "") and math.isfinite(float(value))


def _as_day(value: Any) -> datetime.date | None:
    if isinstance(value, datetime.datetime):
        return value.date()
    return datetime.date.fromisoformat(value) if isinstance(value, str) and value else value or None
