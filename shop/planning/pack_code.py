"""What the code on a pack says, as a scanner types it: GS1 element strings, or any other code as the batch.

GS1 General Specifications, the tables of application identifiers and of those whose length is fixed in advance; the
rule for the century is from memory.
"""

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import date

SEPARATOR = "\x1d"
SYMBOLOGIES = ("]C1", "]d2", "]Q3", "]e0")
FIXED = {
    **dict.fromkeys(("11", "12", "13", "14", "15", "16", "17", "18", "19"), 8), **dict.fromkeys(("01", "02", "03"), 16),
    **dict.fromkeys(("31", "32", "33", "34", "35", "36"), 10), "00": 20, "04": 18, "20": 4, "41": 16,
}  # fmt: skip
"""First two digits → length with the identifier; every other element ends at a separator or at the end."""
LONG = ("31", "32", "33", "34", "35", "36")
"""Of the identifiers with a fixed length, those of four digits."""


@dataclass(frozen=True, slots=True)
class PackCode:
    """What a code says; None or empty: it does not say.

    pack_size_l: net volume. is_gs1: False when the whole code was taken as the batch.
    """

    batch: str
    use_by: date | None = None
    pack_size_l: float | None = None
    is_gs1: bool = True


def read_pack_code(text: str, today: date) -> PackCode:
    """Read a scanned code.

    Batch is (10), use-by (17) or best-before (15), net volume in litres (315n). A code with parentheses, a scanner's
    prefix or a leading article number is GS1; any other is taken as the batch, as most house codes are.

    text: as typed by the scanner. today: for the century of a two-digit year.
    Raises ValueError with a sentence for people.
    """
    plain = text.strip(" \t\r\n")
    if not plain:
        raise ValueError("Nothing was scanned.")
    if plain.isdigit() and len(plain) in {8, 12, 13, 14}:
        raise ValueError(
            f"“{plain}” is the article's number, the same on every pack. Scan the code with the batch."
        )
    if not plain.startswith(("(", *SYMBOLOGIES, SEPARATOR)) and not re.match(r"0[12]\d{14}", plain):
        if len(plain) > 40:
            raise ValueError("The code is longer than a batch of 40 characters; type what the pack says.")
        return PackCode(plain, is_gs1=False)
    said = _elements(plain)
    volume = next((own for own in said if own.startswith("315")), None)
    day = said.get("17") or said.get("15")
    return PackCode(
        said.get("10", ""),
        _day(day, today) if day else None,
        _litres(volume, said[volume]) if volume else None,
    )


def _elements(text: str) -> dict[str, str]:
    """Return identifier → value."""
    if text.startswith("("):
        return dict(re.findall(r"\((\d{2,4})\)([^(]*)", text))
    for prefix in SYMBOLOGIES:
        text = text.removeprefix(prefix)
    found = {}
    text = text.lstrip(SEPARATOR)
    while text:
        head = text[:2]
        length = FIXED.get(head)
        one, _, text = (
            text.partition(SEPARATOR)
            if length is None
            else (text[:length], "", text[length:].lstrip(SEPARATOR))
        )
        if not head.isdigit() or len(one) < (length or 3):
            raise ValueError(
                "The code breaks off or is no GS1 code; scan it again or type what the pack says."
            )
        digits = 4 if head in LONG else 2
        found[one[:digits]] = one[digits:]
    return found


def _litres(identifier: str, text: str) -> float:
    """Return a net volume; the identifier's last digit says how many digits stand behind the point."""
    if len(identifier) != 4 or not text.isdigit():
        raise ValueError(f"The code's volume “{text}” is none; type the size as the pack says.")
    return float(int(text) / 10 ** int(identifier[3]))


def _day(text: str, today: date) -> date:
    """Return a day from YYMMDD; day 00 is the month's last. The year is the one within 50 years of today."""
    try:
        year, month, day = int(text[:2]), int(text[2:4]), int(text[4:6])
        year += today.year - today.year % 100
        if year - today.year > 50:
            year -= 100
        elif year - today.year < -49:
            year += 100
        return date(year, month, day or monthrange(year, month)[1])
    except ValueError as error:
        raise ValueError(f"The code's day “{text}” is none; type the use-by as the pack says.") from error
