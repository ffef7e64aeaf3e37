"""The daily mail's text. What belongs in it and in which order is common practice of the trade, no source."""

import re
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import pytest

from notifications.render.digest import MAX_LINES, Section, cut_to, write_digest
from notifications.render.facts import (
    Booking,
    DigestInput,
    DueItem,
    FullTank,
    HalfDone,
    LateDelivery,
    OrderItem,
    Question,
    Yesterday,
)
from notifications.render.lines import Line, Span
from notifications.render.words import amount_words, volume_words

DAY = date(2026, 3, 2)
QUIET_DAY = DigestInput(day=DAY, depots=("Upper Yard",), site_url="http://shop.example")


def local(month: int, day: int, hour: int, minute: int) -> datetime:
    return datetime.combine(date(2026, month, day), time(hour, minute))


def an_item(vehicle: str, state: str, due_on: date | None = None, **more: object) -> DueItem:
    told = {"used_share": 0.95, "clock": "distance", "used": 57_000.0, "limit": 60_000.0, "unit": "km"} | more
    return DueItem(vehicle, f"{vehicle}-TB6", "TB6", state, due_on=due_on, **told)  # type: ignore[arg-type]


BUSY_DAY = DigestInput(
    day=DAY,
    depots=("Lower Yard", "Upper Yard"),
    site_url="http://shop.example",
    half_done=(
        HalfDone(
            "K08",
            "K08-TB6",
            "TB6",
            "UY B4",
            "empty",
            local(2, 27, 15, 40),
            4.8,
            standing="due 102.2 %",
        ),
    ),
    due=(
        an_item("K08", "due", overlays=("must not move",), used=61_300.0, used_share=1.022),
        an_item("K02", "late", used=70_514.0, used_share=1.175, carried=65_414.0),
        an_item("K09", "late", used=66_900.0, used_share=1.115, missed=2),
        an_item("K04", "due", used=63_900.0, used_share=1.065, booked=local(3, 2, 11, 0)),
        an_item("K11", "due", date(2026, 1, 18), used_share=1.024, clock="time", unit="days"),
        an_item(
            "K22", "window open", date(2026, 3, 5), due_low_on=date(2026, 3, 4), due_high_on=date(2026, 3, 6)
        ),
        an_item("K30", "window open", date(2026, 3, 10), spare_from=date(2026, 3, 16)),
        an_item("K31", "window open", date(2026, 3, 13), overlays=("after season",)),
        an_item("K17", "window open", date(2026, 4, 11), overlays=("on hold",), hold_reason="recall"),
        an_item("K01", "window open", date(2026, 3, 22), booked=local(3, 2, 15, 0)),
    ),
    bookings=(Booking("K04", "K04-TB6", "TB6", time(11)), Booking("K01", "K01-TB6", "TB6", time(15), "B1")),
    orders=(
        OrderItem(
            "F01 box fluid", True, "1 × 60 L", 56.7, "Brinnock Oils", time(14), vehicles=("K08", "K01")
        ),
        OrderItem("F05 bus fluid", False, "1 × 20 L", 17.2, latest_day=date(2026, 3, 4)),
    ),
    questions=(Question("K25", "Confirm the reading 51807: meant 5 180.7 h?", "/readings"),),
    tanks=(FullTank("UY", "used oil", 630.0, 1000.0, 602.0),),
    yesterday=Yesterday(),
)


def labels_of(text: str) -> list[str]:
    return re.findall(r"^([A-Z][A-Z, 0-9:]+?) {2,}", text, re.MULTILINE)


def line_of(text: str, vehicle: str, after: str) -> str:
    """Return the line about a vehicle in or below the section of a label."""
    return next(line for line in text[text.index(after) :].splitlines() if f" {vehicle} " in f" {line} ")


def test_sections_follow_the_order_in_which_to_act() -> None:
    assert labels_of(write_digest(BUSY_DAY).text) == [
        "MUST NOT MOVE", "LATE", "DUE", "BOOKED TODAY", "WINDOW OPEN", "OPEN, LATER", "ORDER BEFORE 14:00", "ASKS",
        "WASTE", "YESTERDAY",
    ]  # fmt: skip


def test_the_worst_comes_first_in_the_subject() -> None:
    subject = write_digest(BUSY_DAY).subject
    wanted = ["K08 must not move", "2 late", "3 due", "order before 14:00", "call the collector", "Mon 2 Mar"]
    places = [subject.index(words) for words in wanted]
    assert places == sorted(places)
    assert places[0] == 0


@pytest.mark.parametrize(
    ("vehicle", "section", "verb", "said"),
    [
        ("K08", "MUST NOT MOVE", "Fill", ["empty since Fri 27 Feb 15:40", "4.8 L out", "B4", "due 102.2 %"]),
        ("K02", "LATE", "Book", ["117.5 %", "10 514 km over", "65 414 km of age"]),
        ("K09", "LATE", "Book", ["111.5 %", "missed 2 bookings"]),
        ("K04", "DUE", "Bring in", ["booked today 11:00", "106.5 %"]),
        ("K11", "DUE", "Book", ["by time since 18 Jan"]),
        ("K22", "WINDOW OPEN", "Book", ["Thu 5 Mar (4–6)"]),
        ("K30", "WINDOW OPEN", "Book", ["no spare vehicle before Mon 16 Mar"]),
        ("K31", "WINDOW OPEN", "Leave", ["after the season"]),
        ("K17", "WINDOW OPEN", "Leave", ["on hold", "11 Apr"]),
        ("K01", "OPEN, LATER", "22 Mar", ["booked today 15:00"]),
        ("K25", "ASKS", "Confirm", ["51807", "5 180.7 h"]),
    ],
)
def test_one_line_says_vehicle_verb_and_figures(
    vehicle: str, section: str, verb: str, said: list[str]
) -> None:
    line = line_of(write_digest(BUSY_DAY).text, vehicle, section).replace("\N{NO-BREAK SPACE}", " ")
    assert all(words in line for words in [verb, *said]), line


def test_a_vehicle_that_must_not_move_is_told_once_and_counted_in_its_state() -> None:
    digest = write_digest(BUSY_DAY)
    assert sum(" K08 " in f" {line} " and "TB6:" in line for line in digest.text.splitlines()) == 1
    assert "3 due" in digest.subject


def test_another_subject_of_a_half_done_unit_keeps_its_line() -> None:
    filters = replace(BUSY_DAY.due[0], what="TB6 outside filters")
    text = write_digest(replace(BUSY_DAY, due=(*BUSY_DAY.due, filters))).text
    assert "K08 Book TB6 outside filters" in text


def test_every_vehicle_leads_to_its_page() -> None:
    spans = [
        span for section in write_digest(BUSY_DAY).sections for line in section.lines for span in line.spans
    ]
    paths = {span.text: span.path for span in spans if span.path}
    assert paths["K02"] == "/units/K02-TB6"
    assert paths["K17"] == "/units/K17-TB6"
    assert {item.vehicle for item in BUSY_DAY.due} <= paths.keys()


def test_an_order_names_packs_supplier_hour_and_need() -> None:
    text = write_digest(BUSY_DAY).text.replace("\N{NO-BREAK SPACE}", " ")
    order = next(line for line in text.splitlines() if "F01" in line)
    assert all(
        words in order for words in ["1 × 60 L", "Brinnock Oils", "by 14:00", "56.7 L short", "K08 K01"]
    )


def test_the_earliest_cut_off_stands_in_the_label() -> None:
    orders = (
        OrderItem("A", True, "1 × 5 L", 4.0, cut_off=time(14)),
        OrderItem("B", True, "1 × 5 L", 4.0, cut_off=time(11)),
    )
    assert "ORDER BEFORE 11:00" in labels_of(write_digest(replace(QUIET_DAY, orders=orders)).text)


def test_a_quiet_day_has_a_mail_that_says_so() -> None:
    digest = write_digest(QUIET_DAY)
    assert "Nothing late, nothing to order today" in digest.subject
    assert "Nothing late, nothing to order today" in digest.text
    assert labels_of(digest.text) == ["YESTERDAY"]


def test_a_quiet_subject_does_not_hide_open_questions() -> None:
    assert "1 question" in write_digest(replace(QUIET_DAY, questions=BUSY_DAY.questions)).subject


def test_a_failed_run_is_said_before_late_lines_and_is_never_quiet() -> None:
    failed = write_digest(replace(QUIET_DAY, failed=("LY",), due=(an_item("K02", "late"),)))
    assert failed.subject.index("run failed at LY") < failed.subject.index("1 late")
    assert "LY" in failed.text.splitlines()[1]
    assert "Nothing late" not in write_digest(replace(QUIET_DAY, failed=("LY",))).text


@pytest.mark.parametrize("many", [1, 3, 40, 400])
def test_the_text_keeps_to_thirty_lines_and_no_list_is_lost(many: int) -> None:
    names = [f"V{number:03}" for number in range(many)]
    told = replace(
        BUSY_DAY,
        half_done=BUSY_DAY.half_done * many,
        due=tuple(
            an_item(name, state, DAY + timedelta(days=days))
            for state, days in [("late", -9), ("due", -1), ("window open", 3), ("window open", 30)]
            for name in names
        ),
        bookings=BUSY_DAY.bookings * many,
        orders=BUSY_DAY.orders * many,
        questions=BUSY_DAY.questions * many,
        tanks=BUSY_DAY.tanks * many,
        failed=("LY", "UY"),
    )
    digest = write_digest(told)
    assert len(digest.text.splitlines()) <= MAX_LINES
    assert len(digest.sections) == 10
    late = next(section for section in digest.sections if section.label == "LATE")
    assert len(late.lines) + late.more == many
    assert (late.more > 0) == (f"and {late.more} more" in digest.text)


def a_section(label: str, lines: int, things: int = 1, *, is_cut_first: bool = False) -> Section:
    return Section(label, (Line((Span("line"),), things),) * lines, is_cut_first=is_cut_first)


def test_the_first_lists_are_cut_last_and_a_cut_list_counts_what_it_leaves_out() -> None:
    cut = cut_to([a_section("a", 6), a_section("b", 14), a_section("c", 1)], 12)
    assert [(len(section.lines), section.more) for section in cut] == [(6, 0), (5, 9), (1, 0)]


def test_what_asks_for_nothing_yet_gives_way_and_is_counted_by_vehicle() -> None:
    cut = cut_to(
        [a_section("a", 3), a_section("later", 5, things=4, is_cut_first=True), a_section("c", 4)], 9
    )
    assert [(len(section.lines), section.more) for section in cut] == [(3, 0), (2, 12), (4, 0)]


def test_missing_figures_are_not_written_as_zero() -> None:
    half = HalfDone("K08", "K08-TB6", "TB6", "UY", "empty")
    late = an_item("K02", "late", used=None, limit=None, used_share=None)
    closed = Yesterday(closed=("K01",), unknown=1)
    text = write_digest(replace(QUIET_DAY, half_done=(half,), due=(late,), yesterday=closed)).text
    assert not re.search(r"\b0(\.0)?\N{NO-BREAK SPACE}", text)
    assert "litres missing for 1" in text


def test_weighed_fluid_is_told_in_kg() -> None:
    half = HalfDone("K08", "K08-TB6", "TB6", "UY", "empty", out_kg=4.07)
    assert "4.07 kg out" in write_digest(replace(QUIET_DAY, half_done=(half,))).text


def test_volumes_are_shown_in_the_depots_unit() -> None:
    # NIST SP 811 (2008), table B.8: 1 US gal = 3.785 411 784 L; from memory, the exact legal value.
    assert volume_words(37.85411784, "US gal") == "10.00\N{NO-BREAK SPACE}US gal"
    assert volume_words(4.75, "L") in {"4.8\N{NO-BREAK SPACE}L", "4.7\N{NO-BREAK SPACE}L"}
    assert amount_words(10_514.4, "km") == "10\N{NO-BREAK SPACE}514\N{NO-BREAK SPACE}km"


def test_a_subject_is_one_line_whatever_a_vehicle_is_called() -> None:
    half = HalfDone("K08\nBcc: x@y.example", "K08-TB6", "TB6", "UY", "empty")
    subject = write_digest(replace(QUIET_DAY, half_done=(half,))).subject
    assert "\n" not in subject
    assert len(subject) <= 200


def test_a_late_delivery_says_whom_to_chase_and_who_waits() -> None:
    late = (
        LateDelivery("UY-2026-001", "Brinnock Oils", "01632 960 114", "60 L F01", 1, ("K19", "K02")),
        LateDelivery("", "Quarlane Fluids", "", "5 L F03", 3),
    )
    digest = write_digest(replace(QUIET_DAY, late_deliveries=late))
    (section,) = [own for own in digest.sections if own.label == "LATE DELIVERY"]
    assert [line.text for line in section.lines] == [
        "Chase Brinnock Oils for UY-2026-001: 60 L F01, 1 day late; ring 01632 960 114; K02, K19 waiting for it",
        "Chase Quarlane Fluids: 5 L F03, 3 days late",
    ]
    assert [line.spans[1].path for line in section.lines] == ["/orders/UY-2026-001", "/orders"]
