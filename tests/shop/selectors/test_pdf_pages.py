"""The PDF writer against the file structure of ISO 32000-1 (7.5) and the widths Adobe published for its typefaces."""

import re

import pytest

from shop.selectors.pdf_pages import Rule, Text, pdf_file, width_mm, wrapped

PAGES = [[Text(20, 25, "Order (UY) \\ 2 × 20 L – 84,00 €"), Rule(20, 30, 170)], [Text(20, 25, "page two")]]


def objects_of(content: bytes) -> dict[int, bytes]:
    """Read the file from its end, as a reader does: startxref, the table, each object where the table says."""
    start = int(re.search(rb"startxref\n(\d+)\n%%EOF\n\Z", content)[1])
    table = content[start:]
    count = int(re.match(rb"xref\n0 (\d+)\n", table)[1])
    entries = re.findall(rb"(\d{10}) (\d{5}) ([nf]) \n", table)
    assert len(entries) == count
    assert entries[0] == (b"0000000000", b"65535", b"f")
    found = {}
    for number, (at, _, _) in enumerate(entries[1:], start=1):
        match = re.match(rb"%d 0 obj\n(.*?)\nendobj\n" % number, content[int(at) :], re.DOTALL)
        assert match, f"object {number} does not begin where the table says"
        found[number] = match[1]
    return found


def test_a_reader_finds_every_object_and_every_page() -> None:
    content = pdf_file(PAGES, "A4", "Order UY-2026-001")
    assert content.startswith(b"%PDF-1.4\n")
    objects = objects_of(content)
    root = int(re.search(rb"/Root (\d+) 0 R", content)[1])
    pages = objects[int(re.search(rb"/Pages (\d+) 0 R", objects[root])[1])]
    kids = [int(one) for one in re.findall(rb"(\d+) 0 R", re.search(rb"/Kids \[(.*?)\]", pages)[1])]
    assert len(kids) == len(PAGES) == int(re.search(rb"/Count (\d+)", pages)[1])
    for kid in kids:
        # A4 is 210 mm × 297 mm (ISO 216), a point is 1/72 inch.
        assert b"/MediaBox [0 0 595.28 841.89]" in objects[kid]
        drawn = objects[int(re.search(rb"/Contents (\d+)", objects[kid])[1])]
        length, stream = re.fullmatch(
            rb"<< /Length (\d+) >>\nstream\n(.*)\nendstream", drawn, re.DOTALL
        ).groups()
        assert int(length) == len(stream)
    info = objects[int(re.search(rb"/Info (\d+) 0 R", content)[1])]
    assert b"/Title (Order UY-2026-001)" in info


def test_brackets_are_escaped_and_signs_are_those_of_the_encoding() -> None:
    content = pdf_file(PAGES, "Letter", "x")
    assert b"(Order \\(UY\\) \\\\ 2 \xd7 20 L \x96 84,00 \x80) Tj" in content
    assert b"[0 0 612.00 792.00]" in content
    assert b"(W?oda) Tj" in pdf_file([[Text(1, 1, "Włoda")]], "A4", "x")
    assert b"(a  b) Tj" in pdf_file([[Text(1, 1, "a\r\nb")]], "A4", "x")


def test_the_same_pages_are_the_same_file() -> None:
    assert pdf_file(PAGES, "A4", "x") == pdf_file(PAGES, "A4", "x")


@pytest.mark.parametrize(
    ("letters", "units"),
    [("0", 556), (" ", 278), (".", 278), ("W", 944), ("i", 222), ("m", 833), ("@", 1015)],
)
def test_widths_are_those_of_the_typeface(letters: str, units: int) -> None:
    # Adobe Core 14 AFM files, Helvetica; a few letters, from memory.
    assert width_mm(letters, 1000.0) == pytest.approx(units * 25.4 / 72)


def test_figures_end_at_the_right_edge() -> None:
    content = pdf_file([[Text(100, 10, "429.00", 10, is_right=True)]], "A4", "x")
    x = float(re.search(rb"Tf ([\d.]+) ", content)[1])
    # Five digits of 0.556 and a point of 0.278, 10 pt high, before 100 mm.
    assert x == pytest.approx(100 * 72 / 25.4 - (5 * 5.56 + 2.78), abs=0.01)


def test_words_are_broken_to_fit() -> None:
    lines = wrapped("deliver to the back gate before noon please", 10.0, 40.0)
    assert " ".join(lines) == "deliver to the back gate before noon please"
    assert len(lines) > 1
    assert all(width_mm(line, 10.0) <= 40.0 for line in lines)
    assert wrapped("", 10.0, 40.0) == []
