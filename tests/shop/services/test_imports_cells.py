"""Cells and sheets: what is taken as typed, and what is refused with a sentence."""

import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from intervals.quantities import to_h
from shop.services.imports import cells
from shop.services.imports.cells import CellError
from shop.services.imports.sheets import SheetError, read_sheet

ALLOWED = ("vehicle", "value", "note")
NEEDED = ("vehicle",)


@given(st.floats(min_value=0, max_value=1e9))
def test_a_plain_number_comes_back_exactly(value):
    text = f"{value:.6f}"
    assert cells.number(low=0)(text) == float(text)


@given(st.dates(min_value=datetime.date(1, 1, 1)))
def test_a_date_comes_back_exactly(day):
    assert cells.day(day.isoformat()) == day


@given(st.text(max_size=12))
def test_any_text_gives_a_finite_number_or_a_sentence(text):
    try:
        said = f"{cells.amount(text):f}"
    except CellError as error:
        said = error.sentence
    assert said
    assert said not in ("nan", "inf", "-inf")


@given(st.integers(0, 99_999), st.integers(0, 59))
def test_hours_and_minutes_are_sixtieths(hours, minutes):
    assert to_h(f"{hours}:{minutes:02}", "hh:mm") == pytest.approx(hours + minutes / 60)


@pytest.mark.parametrize(
    ("parse", "cell", "words"),
    [
        (cells.amount, "1,234", "comma"),
        (cells.amount, "1.234,5", "comma"),
        (cells.amount, "NaN", "not a number"),
        (cells.amount, "inf", "not a number"),
        (cells.amount, "1e5", "not a number"),
        (cells.number(low=0), "-0.1", "0 or more"),
        (cells.number(above=0), "0", "more than 0"),
        (cells.number(low=0, high=1), "1.01", "1 at most"),
        (cells.number(above=0, below=1), "1", "less than 1"),
        (cells.whole(1), "0", "whole number from 1"),
        (cells.whole(), "2.5", "whole number"),
        (cells.money, "12.345", "two decimals"),
        (cells.money, "-1", "0 or more"),
        (cells.money, "99999999", "less than"),
        (cells.yes_no, "true", "yes nor no"),
        (cells.choice("maker", "house"), "makr", "Did you mean “maker”"),
        (cells.many, "a;b;a", "twice"),
        (cells.day, "2.3.2026", "year-month-day"),
        (cells.day, "2026-02-30", "exists"),
        (cells.day, "20260302", "year-month-day"),
        (cells.local_instant, "yesterday", "2026-03-02 05:00"),
        (cells.local_instant, "2026-03-02 25:00", "2026-03-02 05:00"),
        (cells.clock_time, "5:30", "05:30"),
        (cells.clock_time, "24:30", "05:30"),
        (cells.month_day, "13-01", "month-day"),
        (cells.month_day, "02-30", "month-day"),
    ],
)
def test_a_cell_that_cannot_be_used_says_what_is_allowed(parse, cell, words):
    with pytest.raises(CellError) as caught:
        parse(cell)
    assert words in caught.value.sentence


@pytest.mark.parametrize(
    ("parse", "cell", "value"),
    [
        (cells.amount, "57 000.5", 57_000.5),
        (cells.whole(), "12", 12),
        (cells.money, "44.50", Decimal("44.50")),
        (cells.yes_no, "Yes", True),
        (cells.many, "UY; LY;", ["UY", "LY"]),
        (cells.local_instant, "2026-03-02", datetime.datetime(2026, 3, 2)),  # noqa: DTZ001
        (cells.local_instant, "2026-03-02 05:10", datetime.datetime(2026, 3, 2, 5, 10)),  # noqa: DTZ001
        (cells.clock_time, "05:30", datetime.time(5, 30)),
        (cells.month_day, "02-29", (2, 29)),
    ],
)
def test_a_good_cell_becomes_its_value(parse, cell, value):
    assert parse(cell) == value


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_byte_order_mark_and_line_ends_do_not_matter(mark, line_end):
    text = line_end.join(["vehicle,value", "K01,5", "", 'K02," 6 "', ""])
    rows = read_sheet(mark + text.encode(), ALLOWED, NEEDED)
    assert [(row.line, dict(row.cells)) for row in rows] == [
        (2, {"vehicle": "K01", "value": "5"}),
        (4, {"vehicle": "K02", "value": "6"}),
    ]


def test_rows_are_numbered_by_line_even_after_a_cell_of_two_lines():
    rows = read_sheet(b'vehicle,note\nK01,"two\nlines"\nK02,x\n', ALLOWED, NEEDED)
    assert [row.line for row in rows] == [2, 4]


@pytest.mark.parametrize("record", ["K01", "K01,5,x,y"])
def test_a_row_of_the_wrong_length_is_refused(record):
    (row,) = read_sheet(f"vehicle,value,note\n{record}\n".encode(), ALLOWED, NEEDED)
    assert "the header 3" in row.errors[0][1]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"vehicle;value\nK01;5\n", "with commas"),
        (b"vehicle,vehicle\n", "twice in the header"),
        (b"vehicle,valeu\n", "Did you mean “value”"),
        (b"value\n5\n", "vehicle is missing"),
        (b"vehicle,\n", "no name"),
        ("vehicle,note\nK01,grün\n".encode("latin-1"), "line 2"),
        ("vehicle\nK01\n".encode("utf-16"), "UTF-16"),
        (b'vehicle,note\nK01,"open\n', "double quote"),
    ],
)
def test_a_file_that_cannot_be_read_gives_one_sentence(content, words):
    with pytest.raises(SheetError) as caught:
        read_sheet(content, ALLOWED, NEEDED)
    assert words in str(caught.value)
