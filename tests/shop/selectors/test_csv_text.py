"""CSV text a spreadsheet opens without running anything."""

import csv
import io

import pytest

from shop.selectors.csv_text import csv_lines


# What spreadsheets run when it begins a cell: OWASP, “CSV Injection”; from memory.
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "|calc"])
def test_text_that_would_run_stands_behind_an_apostrophe(text):
    assert list(csv.reader(io.StringIO("".join(csv_lines(["why"], [[text]])), newline=""))) == [
        ["why"],
        [f"'{text}"],
    ]


def test_numbers_blanks_and_plain_text_stay_as_they_are():
    lines = list(csv_lines(["a", "b", "c", "d"], [[-3.3, None, "56.7 L - 23 L", 'say "now", please']]))
    assert lines == ["a,b,c,d\r\n", '-3.3,,56.7 L - 23 L,"say ""now"", please"\r\n']  # RFC 4180


def test_a_line_goes_out_before_the_next_row_is_made():
    made = []

    def rows():
        for number in range(3):
            made.append(number)
            yield [number]

    lines = csv_lines(["n"], rows())
    assert (next(lines), made) == ("n\r\n", [])
    assert (next(lines), made) == ("0\r\n", [0])
