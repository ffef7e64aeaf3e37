"""The daily mail: the worst thing in the subject, then what to do, in the order it is to be done."""

from dataclasses import dataclass, replace
from datetime import date

from notifications.render.facts import DigestInput, DueItem
from notifications.render.lines import (
    SEPARATOR,
    Line,
    booking_lines,
    due_line,
    half_done_line,
    is_soon,
    late_delivery_line,
    order_line,
    order_week_lines,
    packed_due,
    question_line,
    tank_line,
    yesterday_line,
)
from notifications.render.words import counted, day_words, hour_words, shortened

MAX_LINES = 30
LINES_AROUND = 4
"""Heading, pages, and a blank line on either side of the lists."""
LEAST_LINES_OF_A_SECTION = 2
SUBJECT_CHARACTERS = 180
LABEL_CHARACTERS = 20
DEPOTS_NAMED = 4
QUIET = "Nothing late, nothing to order today"

APART = (
    ("on hold", "Leave, on hold: "),
    ("after season", "Leave till after the season: "),
    ("leaving", "Decide, leaving the fleet: "),
)


@dataclass(frozen=True, slots=True)
class Section:
    """One group of lines under its label.

    path: the page with all of them. is_cut_first: gives way to the other groups when the mail gets too long.
    more: vehicles, orders or questions that were cut off.
    """

    label: str
    lines: tuple[Line, ...]
    path: str = ""
    is_cut_first: bool = False
    more: int = 0

    @property
    def more_words(self) -> str:
        """What is said of the lines cut off."""
        return f"and {self.more} more" if self.more else ""


@dataclass(frozen=True, slots=True)
class Digest:
    """One finished mail: its subject, its plain text, and the same sections for the HTML part.

    opening: what comes before all lists: that a run failed or is still to come, or that all is quiet.
    site_url: goes before paths.
    """

    subject: str
    heading: str
    opening: tuple[str, ...]
    sections: tuple[Section, ...]
    site_url: str
    text: str


def write_digest(told: DigestInput) -> Digest:
    """Write the mail of one morning.

    told: the facts, each list in working order. Returns a Digest whose text has at most 30 lines however long
    the lists are: what must not move and what is late keeps its lines first, and every list keeps at least two.
    """
    depots = [
        *told.depots[:DEPOTS_NAMED],
        *([f"{len(told.depots)} depots in all"] if len(told.depots) > DEPOTS_NAMED else []),
    ]
    heading = ", ".join([f"{day_words(told.day, told.day, with_weekday=True)} {told.day.year}", *depots])
    opening = _opening(told)
    sections = cut_to(_sections(told), MAX_LINES - len(opening) - LINES_AROUND)
    return Digest(
        subject=_subject(told),
        heading=heading,
        opening=opening,
        sections=sections,
        site_url=told.site_url,
        text=_text(heading, opening, sections, told.site_url),
    )


def cut_to(sections: list[Section], lines_allowed: int) -> tuple[Section, ...]:
    """Cut lists so that all sections together keep to a number of lines.

    Every section keeps two lines; what is left goes to the sections in their order, so the most pressing ones
    are cut last, those marked `is_cut_first` before all others. Returns the sections in the same order.
    """
    kept = [min(len(section.lines), LEAST_LINES_OF_A_SECTION) for section in sections]
    spare = lines_allowed - sum(kept)
    for place, section in sorted(enumerate(sections), key=lambda pair: pair[1].is_cut_first):
        extra = min(max(spare, 0), len(section.lines) - kept[place])
        kept[place] += extra
        spare -= extra
    return tuple(_cut(section, count) for section, count in zip(sections, kept, strict=True))


def _cut(section: Section, count: int) -> Section:
    hidden = sum(line.things for line in section.lines[count:])
    return replace(section, lines=section.lines[:count], more=hidden)


def _sections(told: DigestInput) -> list[Section]:
    day = told.day
    shown_above = {(item.unit_code, item.what) for item in told.half_done}
    due = [item for item in told.due if (item.unit_code, item.what) not in shown_above]
    open_ = sorted((item for item in due if item.state in {"window open", "not yet"}), key=_due_day)
    clear = [item for item in open_ if not _apart_word(item)]
    sections = [
        Section("MUST NOT MOVE", tuple(half_done_line(item, day) for item in told.half_done), "/"),
        Section("LATE", _due_lines(due, "late", day), "/due"),
        Section("DUE", _due_lines(due, "due", day), "/due"),
        Section("BOOKED TODAY", tuple(booking_lines(told.bookings)), "/"),
        Section(
            "WINDOW OPEN",
            (*(due_line(item, day) for item in clear if is_soon(item, day)), *_apart_lines(open_, day)),
            "/due",
        ),
        Section(
            "OPEN, LATER",
            tuple(packed_due((item for item in clear if not is_soon(item, day)), day)),
            "/due",
            is_cut_first=True,
        ),
        _order_section(told),
        Section("LATE DELIVERY", tuple(late_delivery_line(late) for late in told.late_deliveries), "/orders"),
        Section("ASKS", tuple(question_line(question) for question in told.questions), "/readings"),
        Section("WASTE", tuple(tank_line(tank) for tank in told.tanks), "/"),
        Section("YESTERDAY", (yesterday_line(told.yesterday),)),
    ]
    return [section for section in sections if section.lines]


def _due_lines(items: list[DueItem], state: str, day: date) -> tuple[Line, ...]:
    return tuple(due_line(item, day) for item in items if item.state == state)


def _due_day(item: DueItem) -> tuple[date, str]:
    return item.due_on or date.max, item.vehicle


def _apart_word(item: DueItem) -> str:
    return next((word for word, _ in APART if word in item.overlays), "")


def _apart_lines(items: list[DueItem], day: date) -> list[Line]:
    return [
        line
        for word, lead in APART
        for line in packed_due((item for item in items if _apart_word(item) == word), day, lead)
    ]


def _order_section(told: DigestInput) -> Section:
    today = [item for item in told.orders if item.is_today]
    week = [item for item in told.orders if not item.is_today]
    first = _first_cut_off(told)
    label = f"ORDER BEFORE {first}" if first else "ORDER TODAY" if today else "ORDER LATER"
    lines = (*(order_line(item, told.day) for item in today), *order_week_lines(week, told.day))
    return Section(label, lines, "/orders")


def _first_cut_off(told: DigestInput) -> str:
    hours = [item.cut_off for item in told.orders if item.is_today and item.cut_off is not None]
    return hour_words(min(hours)) if hours else ""


def _opening(told: DigestInput) -> tuple[str, ...]:
    older = [("failed", told.failed), ("is still to come", told.not_yet)]
    return (
        *(
            f"Today's run {word} at {', '.join(depots)}: lines from there are of an earlier day."
            for word, depots in older
            if depots
        ),
        *(() if _worst(told) else (f"{QUIET}.",)),
    )


def _subject(told: DigestInput) -> str:
    asks = f"; {counted(len(told.questions), 'question', 'questions')}" if told.questions else ""
    words = ", ".join(_worst(told)) or QUIET + asks
    day = day_words(told.day, told.day, with_weekday=True)
    return f"{shortened(words[0].upper() + words[1:], SUBJECT_CHARACTERS)} ({day})"


def _worst(told: DigestInput) -> list[str]:
    stopped = sorted({item.vehicle for item in told.half_done})
    worst = (
        [f"{stopped[0] if len(stopped) == 1 else f'{len(stopped)} vehicles'} must not move"]
        if stopped
        else []
    )
    worst += [f"daily run failed at {', '.join(told.failed)}"] if told.failed else []
    for state in ("late", "due"):
        count = sum(item.state == state for item in told.due)
        worst += [f"{count} {state}"] if count else []
    if any(item.is_today for item in told.orders):
        first = _first_cut_off(told)
        worst.append(f"order before {first}" if first else "order today")
    return [*worst, "call the collector"] if told.tanks else worst


def _text(heading: str, opening: tuple[str, ...], sections: tuple[Section, ...], site_url: str) -> str:
    body: list[str] = []
    for section in sections:
        words = [line.text for line in section.lines]
        words[-1] += f"{SEPARATOR}{section.more_words}" if section.more else ""
        labels = [section.label] + [""] * (len(words) - 1)
        body += [f"{label:<{LABEL_CHARACTERS}}{word}" for label, word in zip(labels, words, strict=True)]
    pages = f"Due list {site_url}/due   Orders {site_url}/orders   Questions {site_url}/readings"
    return "\n".join([heading, *opening, "", *body, "", pages]) + "\n"
