"""How the pages write a due line: where it is, its state, how far it is, when it falls due.

Made as text, not as templates in templates: a list has fifty of each.
"""

from functools import cache
from html import escape
from typing import Any
from urllib.parse import quote

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from shop.templatetags.show import day, day_range, mark, number, run, share, slug, unbroken

register = template.Library()


@register.simple_tag
def state(line: Any, waiting: str = "") -> SafeString:
    """Write the state of a line with all that lies over it. waiting: what its job waits for, in words."""
    overlays = getattr(line, "overlays", ())  # a line as of another day has none
    words = [_word("state", line.state), *(_word("overlay", overlay) for overlay in overlays)]
    if waiting:
        words.append(
            format_html('<span class="overlay is-waiting">{}{}</span>', mark("waiting for fluid"), waiting)
        )
    return SafeString("".join(words))


@register.simple_tag
def counted(count: Any) -> str:
    """Write how many lines there are, or that there are more than were counted."""
    return f"{'more than ' if count.is_more else ''}{number(count.number)}"


@register.simple_tag
def due_row(row: Any) -> SafeString:
    """Write a line as a row of the due list."""
    line = row.line
    held_still = " is-must-not-move" if line.must_not_move else ""
    return SafeString(
        f'<tr class="is-{slug(line.state)}{held_still}">\n'
        f'<td class="cell-state">{state(line, row.waiting)}</td>\n'
        f'<th scope="row" class="cell-vehicle">{_vehicle_and_place(line)}</th>\n'
        f'<td class="cell-unit">{unit_and_subject(line)}</td>\n'
        f'<td class="cell-far">{how_far(row)}</td>\n'
        f'<td class="cell-when">{when(row)}</td>\n'
        f'<td class="cell-why">{escape(unbroken(line.sentence))}</td>\n</tr>'
    )


def _vehicle_and_place(line: Any) -> str:
    vehicle = line.vehicle
    return (
        f'<a href="{_address("vehicle", vehicle.number)}"><strong>{escape(vehicle.number)}</strong></a> '
        f'<span>{escape(vehicle.name)}, <span class="place">{escape(vehicle.depot.name)}</span></span>'
    )


@register.simple_tag
def unit_and_subject(line: Any) -> SafeString:
    """Write a line's unit, with a link to it, its kind, and what is due when that is not the fluid."""
    unit, subject = line.unit, line.rule.subject
    more = "" if subject == "fluid" else f", {escape(subject)}"
    return SafeString(
        f'<a href="{_address("unit", unit.code)}">{escape(unit.code)}</a> '
        f"<span>{escape(unit.unit_model.kind)}{more}</span>"
    )


@register.simple_tag
def how_far(row: Any) -> SafeString:
    """Draw a line's service window and write how much of its interval is used and what is left of it."""
    line, clock = row.line, row.deciding
    if line.used_share is None:
        return SafeString(f'{_gauge(row)}<span class="how-far">cannot say</span>')
    rest = ""
    if clock is not None and clock.left is not None:
        rest = f", {escape(run(clock.left, clock.unit))} left"
    elif clock is not None and clock.over is not None:
        rest = f", {escape(run(clock.over, clock.unit))} over"
    return SafeString(
        f'{_gauge(row)}<span class="how-far"><strong>{share(line.used_share)}</strong>{rest}</span>'
    )


@register.simple_tag
def when(row: Any) -> SafeString:
    """Write when a line falls due, its range, by which clock, and the day to book by."""
    line, words = row.line, []
    if line.due_on is None:
        words.append('<span class="no-date">no date</span>')
    else:
        since = "since " if row.is_past else ""
        words.append(f'<strong class="date">{since}{day(line.due_on, row.today)}</strong>')
        if not row.is_past and (span := day_range(line)):
            words.append(f'<span class="range">{span}</span>')
    if row.clock_words:
        is_to_book = line.book_by and line.state == "window open" and not row.is_past
        book = f", book by {day(line.book_by, row.today)}" if is_to_book else ""
        words.append(f'<span class="clock">{escape(row.clock_words)}{book}</span>')
    return SafeString(" ".join(words))


def _gauge(row: Any) -> str:
    at = row.picture
    squeezed = "" if at.break_x is None else f'<path class="break" d="M{at.break_x} 6V16"/>'
    marker = "" if at.marker_x is None else f'<path class="marker" d="M{at.marker_x} 1V21"/>'
    return (
        f'<svg class="gauge is-{slug(row.line.state)}" viewBox="0 0 {at.width} 22" width="{at.width}" height="22" '
        f'aria-hidden="true" focusable="false"><rect class="track" x="0" y="8" width="{at.width}" height="6"/>'
        f'<rect class="used" x="0" y="8" width="{at.used.width}" height="6"/>'
        f'<rect class="window" x="{at.window.x}" y="3" width="{at.window.width}" height="16" fill="url(#hatch)"/>'
        f'<path class="due-line" d="M{at.due_x} 1V21"/>{squeezed}{marker}</svg>'
    )


@cache
def _word(kind: str, word: str) -> SafeString:
    return format_html('<span class="{} is-{}">{}{}</span>', kind, slug(word), mark(word), word)


def _address(name: str, code: str) -> str:
    return f"{_prefix(name)}{escape(quote(code, safe=':@!$&()*+,;='))}"


@cache
def _prefix(name: str) -> str:
    return reverse(name, args=["-"]).removesuffix("-")
