"""Plain pages as a PDF file (ISO 32000-1): text and lines, in the typefaces every reader has built in.

No typeface is carried in the file, so it can write the characters of Windows code page 1252 (western and northern
Europe); another character becomes a question mark. Mail and CSV carry every character.
"""

from collections.abc import Sequence
from dataclasses import dataclass

PT_PER_MM = 72 / 25.4
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
FONTS = ("Helvetica", "Helvetica-Bold")
_WIDTHS = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833,
    722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556,
    556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334,
    260, 334, 584,
)  # fmt: skip
"""Widths of Helvetica from space to tilde, in thousandths of its size (Adobe Core 14 font metrics)."""
_OTHER_WIDTH = 556


@dataclass(frozen=True, slots=True)
class Text:
    """Words on one line; x_mm, y_mm: from the top left corner to the left (or right) end of the line they stand on."""

    x_mm: float
    y_mm: float
    words: str
    size_pt: float = 10.0
    is_bold: bool = False
    is_right: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """A thin level line."""

    x_mm: float
    y_mm: float
    width_mm: float


Page = Sequence[Text | Rule]


def width_mm(words: str, size_pt: float) -> float:
    """Width of words in the regular face; the bold one is up to a tenth wider, its digits are not."""
    units = sum(_WIDTHS[ord(one) - 32] if " " <= one <= "~" else _OTHER_WIDTH for one in words)
    return units / 1000 * size_pt / PT_PER_MM


def wrapped(words: str, size_pt: float, room_mm: float) -> list[str]:
    """Break words into lines that fit; a single word that does not is left long."""
    lines: list[str] = []
    for word in words.split():
        if lines and width_mm(f"{lines[-1]} {word}", size_pt) <= room_mm:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def pdf_file(pages: Sequence[Page], paper: str, title: str, language: str = "en-GB") -> bytes:
    """Return the file; the same pages give the same bytes.

    paper: "A4" or "Letter". title: shown by readers in place of the file's name.
    """
    width, height = (side * PT_PER_MM for side in PAPERS_MM[paper])
    first_page = 3 + len(FONTS) + 1
    page_numbers = [first_page + 2 * place for place in range(len(pages))]
    kids = " ".join(f"{number} 0 R" for number in page_numbers)
    fonts = " ".join(f"/F{place} {3 + place} 0 R" for place in range(len(FONTS)))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /Lang (%s) /ViewerPreferences << /DisplayDocTitle true >> >>"
        % _escaped(language),
        f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode(),
        *(
            f"<< /Type /Font /Subtype /Type1 /BaseFont /{font} /Encoding /WinAnsiEncoding >>".encode()
            for font in FONTS
        ),
        b"<< /Title (%s) /Producer (Hatchmark) >>" % _escaped(title),
    ]
    for number, page in zip(page_numbers, pages, strict=True):
        drawn = b"\n".join(_drawn(one, height) for one in page)
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.2f} {height:.2f}] "
            f"/Resources << /Font << {fonts} >> >> /Contents {number + 1} 0 R >>".encode()
        )
        objects.append(b"<< /Length %d >>\nstream\n%s\nendstream" % (len(drawn), drawn))
    return _joined(objects, info=3 + len(FONTS))


def _joined(objects: Sequence[bytes], info: int) -> bytes:
    """Number the objects and write the table of where each begins."""
    content = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n"
    begins = []
    for number, one in enumerate(objects, start=1):
        begins.append(len(content))
        content += b"%d 0 obj\n%s\nendobj\n" % (number, one)
    table = b"".join(b"%010d 00000 n \n" % begin for begin in begins)
    trailer = b"trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>" % (len(objects) + 1, info)
    return b"%sxref\n0 %d\n0000000000 65535 f \n%s%s\nstartxref\n%d\n%%%%EOF\n" % (
        content, len(objects) + 1, table, trailer, len(content),
    )  # fmt: skip


def _drawn(one: Text | Rule, height_pt: float) -> bytes:
    y = height_pt - one.y_mm * PT_PER_MM
    if isinstance(one, Rule):
        return b"0.5 w %.2f %.2f m %.2f %.2f l S" % (
            one.x_mm * PT_PER_MM, y, (one.x_mm + one.width_mm) * PT_PER_MM, y,
        )  # fmt: skip
    x = one.x_mm - (width_mm(one.words, one.size_pt) if one.is_right else 0.0)
    return b"BT /F%d %.1f Tf %.2f %.2f Td (%s) Tj ET" % (
        int(one.is_bold), one.size_pt, x * PT_PER_MM, y, _escaped(one.words),
    )  # fmt: skip


def _escaped(words: str) -> bytes:
    content = words.replace("\u202f", "\u00a0").encode("cp1252", errors="replace")
    for mark in (b"\\", b"(", b")"):
        content = content.replace(mark, b"\\" + mark)
    return content.replace(b"\r", b" ").replace(b"\n", b" ")
