"""The lines of the daily mail: one vehicle, one verb, the figures that matter."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import quote

from notifications.render.facts import (
    Booking,
    DueItem,
    FullTank,
    HalfDone,
    LateDelivery,
    OrderItem,
    Question,
    Yesterday,
)
from notifications.render.words import (
    amount_words,
    counted,
    day_words,
    hour_words,
    instant_words,
    range_words,
    share_words,
    shortened,
    volume_words,
)

SOON_DAYS = 14
PACKED_CHARACTERS = 110
VEHICLES_NAMED = 6
CARRIED_WORTH_SAYING_SHARE = 0.5
SEPARATOR = " · "


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of a line; path: the page it leads to, if any."""

    text: str
    path: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the mail as linked pieces; things: how many vehicles, orders or questions it tells of."""

    spans: tuple[Span, ...]
    things: int = 1

    @property
    def text(self) -> str:
        """The line without its links."""
        return "".join(span.text for span in self.spans)


def unit_path(unit_code: str) -> str:
    """Return the page of a unit."""
    return f"/units/{quote(unit_code, safe='')}"


def half_done_line(item: HalfDone, today: date) -> Line:
    """Say what is missing in a vehicle that must not move."""
    if item.stopped_by:
        return _line(
            item.vehicle, item.unit_code, "Do not drive", [item.stopped_by, item.place, item.standing]
        )
    verb = "Fill" if item.state == "empty" else "Finish"
    since = f" since {instant_words(item.since, today)}" if item.since else ""
    back = f"{volume_words(item.in_l, item.volume_unit)} in" if item.in_l is not None else "nothing noted in"
    facts = [f"{item.state}{since}", f"{_out(item)}, {back}", item.place, item.standing]
    return _line(item.vehicle, item.unit_code, f"{verb} {item.what}", facts)


def _out(item: HalfDone) -> str:
    if item.out_l is not None:
        return f"{volume_words(item.out_l, item.volume_unit)} out"
    return f"{item.out_kg:.2f} kg out" if item.out_kg is not None else "nothing noted out"


def due_line(item: DueItem, today: date) -> Line:
    """Say what to do about a line that is late, due, or falls due soon."""
    facts = [*_overlay_facts(item), *_booking_facts(item, today)]
    if item.state in {"late", "due"}:
        facts += [share_words(item.used_share) if item.used_share is not None else "", _over(item, today)]
        facts.append(_carried(item))
    else:
        facts += [
            f"falls due {when_words(item, today, with_weekday=True)}",
            share_words(item.used_share) if item.used_share is not None else "",
        ]
    if item.missed:
        facts.append(f"missed {counted(item.missed, 'booking', 'bookings')}")
    if item.spare_from is not None and item.spare_from > today:
        facts.append(f"no spare vehicle before {day_words(item.spare_from, today, with_weekday=True)}")
    return _line(item.vehicle, item.unit_code, f"{_verb(item, today)} {item.what}", facts)


def when_words(item: DueItem, today: date, *, with_weekday: bool = False) -> str:
    """Return the due day with its range."""
    if item.due_on is None:
        return "on a day that cannot be said"
    day = day_words(item.due_on, today, with_weekday=with_weekday)
    return day + range_words(item.due_low_on, item.due_high_on, item.due_on, today)


def is_soon(item: DueItem, today: date) -> bool:
    """Say whether a line falls due within the next days."""
    return item.due_on is not None and item.due_on <= today + timedelta(days=SOON_DAYS)


def packed_due(items: Iterable[DueItem], today: date, lead: str = "") -> list[Line]:
    """Put many lines that ask for nothing yet side by side."""
    return packed(
        [
            (
                Span(item.vehicle, unit_path(item.unit_code)),
                f" {item.what} {when_words(item, today)}{_at(item, today)}",
            )
            for item in items
        ],
        lead,
    )


def booking_lines(bookings: Iterable[Booking]) -> list[Line]:
    """Put the day's bookings side by side."""
    return packed(
        [
            (
                Span(booking.vehicle, unit_path(booking.unit_code)),
                f" {booking.what} {hour_words(booking.at)}" + (f" in {booking.bay}" if booking.bay else ""),
            )
            for booking in bookings
        ]
    )


def packed(pieces: Iterable[tuple[Span, str]], lead: str = "") -> list[Line]:
    """Fill lines of a limited width with pieces of a link and its words; `lead` opens the first line."""
    lines: list[Line] = []
    spans: list[Span] = [Span(lead)] if lead else []
    width, things = len(lead), 0
    for link, words in pieces:
        length = len(link.text) + len(words) + len(SEPARATOR)
        if things and width + length > PACKED_CHARACTERS:
            lines.append(Line(tuple(spans), things))
            spans, width, things = [], 0, 0
        spans += [*([Span(SEPARATOR)] if things else []), link, Span(words)]
        width, things = width + length, things + 1
    return [*lines, Line(tuple(spans), things)] if things else lines


def order_line(item: OrderItem, today: date) -> Line:
    """Say what to order from whom until when, and for whose jobs."""
    until = f" by {hour_words(item.cut_off)}" if item.cut_off else ""
    supplier = f" from {item.supplier}" if item.supplier else ""
    named = " ".join(item.vehicles[:VEHICLES_NAMED])
    more = f" and {len(item.vehicles) - VEHICLES_NAMED} more" if len(item.vehicles) > VEHICLES_NAMED else ""
    jobs = f" for {named}{more}" if named else ""
    short = f"{volume_words(item.net_l, item.volume_unit)} short{jobs}"
    return Line(
        (Span("Order "), Span(item.product, "/orders"), Span(f": {item.packs}{supplier}{until}; {short}"))
    )


def order_week_lines(items: Iterable[OrderItem], today: date) -> list[Line]:
    """Put what can wait a few days side by side."""
    return packed(
        [
            (
                Span(item.product, "/orders"),
                f" {item.packs}"
                + (f" by {day_words(item.latest_day, today, with_weekday=True)}" if item.latest_day else ""),
            )
            for item in items
        ],
        "Order this week: ",
    )


def late_delivery_line(late: LateDelivery) -> Line:
    """Say whom to chase for what, and who waits."""
    path = f"/orders/{quote(late.order, safe='')}" if late.order else "/orders"
    facts = [
        f"{late.what}, {counted(late.days, 'day', 'days')} late",
        f"ring {late.phone}" if late.phone else "",
    ]
    facts.append(f"{_names(late.vehicles)} waiting for it" if late.vehicles else "")
    about = f"{late.supplier} for {late.order}" if late.order else late.supplier
    return Line((Span("Chase "), Span(about, path), Span(f": {'; '.join(fact for fact in facts if fact)}")))


def question_line(question: Question) -> Line:
    """Say what is asked and where to answer."""
    return Line((Span(question.about, question.path), Span(f" {question.ask}")))


def tank_line(tank: FullTank) -> Line:
    """Say whom to call about a waste tank."""
    level, capacity, call = (
        volume_words(litres, tank.volume_unit, is_whole=True)
        for litres in (tank.level_l, tank.capacity_l, tank.call_level_l)
    )
    where = f"{tank.depot} {tank.stream}"
    return Line((Span(f"Call the collector for {where}: {level} of {capacity}, call level {call}"),))


def yesterday_line(yesterday: Yesterday) -> Line:
    """Say in one line what was closed and who did not come the day before."""
    parts = ["No job closed"]
    if yesterday.closed:
        known = len(yesterday.closed) - yesterday.unknown
        parts = [f"{counted(len(yesterday.closed), 'job', 'jobs')} closed ({_names(yesterday.closed)})"]
        if known:
            parts.append(f"{volume_words(yesterday.in_l, yesterday.volume_unit)} went in")
        if yesterday.unknown:
            parts.append(f"litres missing for {yesterday.unknown}")
    if yesterday.missed:
        parts.append(f"did not come: {_names(yesterday.missed)}")
    return Line((Span("; ".join(parts)),))


def _line(vehicle: str, unit_code: str, action: str, facts: Iterable[str]) -> Line:
    return Line(
        (Span(vehicle, unit_path(unit_code)), Span(f" {action}: {'; '.join(fact for fact in facts if fact)}"))
    )


def _verb(item: DueItem, today: date) -> str:
    if "on hold" in item.overlays:
        return "Leave"
    if item.bay:
        return "Finish"
    if item.booked is not None:
        return "Bring in" if item.booked.date() == today else "Keep the booking of"
    if "after season" in item.overlays:
        return "Leave"
    return "Decide on" if "leaving" in item.overlays else "Book"


def _overlay_facts(item: DueItem) -> list[str]:
    facts = [shortened(f"on hold: {item.hold_reason}", 60) if item.hold_reason else "on hold"]
    facts = facts if "on hold" in item.overlays else []
    facts += ["after the season"] if "after season" in item.overlays else []
    facts += ["leaving the fleet"] if "leaving" in item.overlays else []
    return facts


def _booking_facts(item: DueItem, today: date) -> list[str]:
    facts = [f"in {item.bay} now"] if item.bay else []
    return [*facts, f"booked {instant_words(item.booked, today)}"] if item.booked else facts


def _at(item: DueItem, today: date) -> str:
    facts = _booking_facts(item, today)
    return f", {', '.join(facts)}" if facts else ""


def _over(item: DueItem, today: date) -> str:
    if item.clock == "time":
        return f"by time since {day_words(item.due_on, today)}" if item.due_on else "by time"
    if item.used is None or item.limit is None or item.used <= item.limit:
        return ""
    return f"{amount_words(item.used - item.limit, item.unit)} over"


def _carried(item: DueItem) -> str:
    if not item.carried or not item.limit or item.carried < CARRIED_WORTH_SAYING_SHARE * item.limit:
        return ""
    return f"the last job left {amount_words(item.carried, item.unit)} of age in the fluid"


def _names(vehicles: tuple[str, ...]) -> str:
    named = sorted(set(vehicles))
    more = f" and {len(named) - VEHICLES_NAMED} more" if len(named) > VEHICLES_NAMED else ""
    return ", ".join(named[:VEHICLES_NAMED]) + more
