"""Cells: text as typed becomes a value, or one sentence saying what was wrong and what is allowed."""

import datetime
import difflib
import math
from collections.abc import Callable, Iterable
from decimal import Decimal, InvalidOperation

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from intervals.errors import QuantityError
from intervals.quantities import parse_amount, to_h
from shop.models.codes import in_addresses

Parse = Callable[[str], object]


class CellError(Exception):
    """One cell cannot be used; the sentence says why. `column` is set when it is about another cell of the row."""

    def __init__(self, sentence: str, column: str = "") -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.column = column


def nearest(text: str, known: Iterable[object]) -> str:
    """Return “ Did you mean …?” for the closest known text, or nothing."""
    found = difflib.get_close_matches(text, [str(one) for one in known], n=1, cutoff=0.7)
    return f" Did you mean “{found[0]}”?" if found else ""


def text(cell: str) -> str:
    """Return the text as typed."""
    return cell


def code(cell: str) -> str:
    """Return a code that can stand in a page's address; raises CellError for any other."""
    try:
        in_addresses(cell)
    except ValidationError as error:
        raise CellError(" ".join(error.messages)) from error
    return cell


def mail_address(cell: str) -> str:
    """Return an address a mail can go to."""
    try:
        validate_email(cell)
    except ValidationError as error:
        raise CellError(f"“{cell}” is no mail address; write one like orders@supplier.example.") from error
    return cell


def number(
    low: float | None = None,
    high: float | None = None,
    above: float | None = None,
    below: float | None = None,
) -> Callable[[str], float]:
    """Return a parser of plain decimal numbers within limits (`low`, `high` may be reached; `above`, `below` not)."""

    def parse(cell: str) -> float:
        value = amount(cell)
        if low is not None and value < low:
            raise CellError(f"“{cell}” is too small; allowed: {low:g} or more.")
        if above is not None and value <= above:
            raise CellError(f"“{cell}” is too small; allowed: more than {above:g}.")
        if high is not None and value > high:
            raise CellError(f"“{cell}” is too large; allowed: {high:g} at most.")
        if below is not None and value >= below:
            raise CellError(f"“{cell}” is too large; allowed: less than {below:g}.")
        return value

    return parse


def amount(cell: str) -> float:
    """Return a number with a decimal point; refuse commas, words, NaN and infinity."""
    try:
        return parse_amount(cell)
    except QuantityError as error:
        raise CellError(str(error)) from error


def whole(low: int = 0, high: int = 32_767) -> Callable[[str], int]:
    """Return a parser of whole numbers between two limits."""

    def parse(cell: str) -> int:
        value = amount(cell)
        if not value.is_integer() or not low <= value <= high:
            raise CellError(f"“{cell}” is not a whole number from {low} to {high}.")
        return int(value)

    return parse


def money(cell: str) -> Decimal:
    """Return an amount of money, zero or more, with at most two decimals."""
    amount(cell)
    try:
        value = Decimal(cell.replace(" ", ""))
    except InvalidOperation as error:
        raise CellError(f"“{cell}” is not an amount of money; write it like 44 or 44.50.") from error
    if value < 0:
        raise CellError(f"“{cell}” is below zero; allowed: 0 or more.")
    if value != round(value, 2):
        raise CellError(f"“{cell}” has more than two decimals; write it like 44 or 44.50.")
    if value >= 10_000_000:
        raise CellError(f"“{cell}” is too large; allowed: less than 10 000 000.")
    return value


def yes_no(cell: str) -> bool:
    """Return True for yes, False for no."""
    word = cell.casefold()
    if word not in ("yes", "no"):
        raise CellError(f"“{cell}” is neither yes nor no; write one of them.")
    return word == "yes"


def choice(*allowed: str) -> Callable[[str], str]:
    """Return a parser that lets only the named words through."""

    def parse(cell: str) -> str:
        if cell not in allowed:
            raise CellError(
                f"“{cell}” is not allowed here; allowed: {', '.join(allowed)}.{nearest(cell, allowed)}"
            )
        return cell

    return parse


def many(cell: str) -> list[str]:
    """Return the parts of a list written with semicolons, in order, blanks left out."""
    parts = [part.strip() for part in cell.split(";")]
    found = [part for part in parts if part]
    for part in found:
        if found.count(part) > 1:
            raise CellError(f"“{part}” stands in the list twice; keep one.")
    return found


def day(cell: str) -> datetime.date:
    """Return a date written year-month-day."""
    try:
        if len(cell) == 10:
            return datetime.date.fromisoformat(cell)
    except ValueError:
        pass
    raise CellError(f"“{cell}” is not a date; write year-month-day like 2026-03-02, and a day that exists.")


def month(cell: str) -> datetime.date:
    """Return the first day of a month written YYYY-MM."""
    try:
        return datetime.date.fromisoformat(f"{cell}-01")
    except ValueError as error:
        raise CellError("it is not a month; write it as YYYY-MM, e.g. 2026-02.") from error


def local_instant(cell: str) -> datetime.datetime:
    """Return a date-time as written: 2026-03-02 05:00, or 2026-03-02 alone for 00:00, with or without an offset."""
    try:
        if len(cell) >= 10 and cell[4] == "-":
            return datetime.datetime.fromisoformat(cell)
    except ValueError:
        pass
    raise CellError(f"“{cell}” is not a date or date-time; write 2026-03-02 or 2026-03-02 05:00.")


def clock_time(cell: str) -> datetime.time:
    """Return a time of day written hh:mm."""
    try:
        if len(cell) == 5 and cell[2] == ":":
            return datetime.time.fromisoformat(cell)
    except ValueError:
        pass
    raise CellError(f"“{cell}” is not a time of day; write it like 05:30.")


def month_day(cell: str) -> tuple[int, int]:
    """Return a yearly day written month-day; 29 February is let through."""
    try:
        if len(cell) == 5 and cell[2] == "-":
            found = datetime.date.fromisoformat(f"2024-{cell}")
            return found.month, found.day
    except ValueError:
        pass
    raise CellError(f"“{cell}” is not a day of the year; write month-day like 11-01.")


def meter_value(cell: str, shown_in: str) -> float:
    """Return what a meter shows as a number in its own unit (hh:mm becomes decimal hours), zero or more."""
    try:
        value = to_h(cell, "hh:mm") if shown_in == "hh:mm" else parse_amount(_without_minutes(cell, shown_in))
    except QuantityError as error:
        raise CellError(str(error)) from error
    if not (math.isfinite(value) and value >= 0):
        raise CellError(f"“{cell}” is below zero; a meter shows zero or more. Read it again.")
    return value


def _without_minutes(cell: str, shown_in: str) -> str:
    if ":" in cell:
        if shown_in == "h":
            to_h(cell, "h")
        raise CellError(f"“{cell}” has minutes but the value is in {shown_in}; write it like 1234.5.")
    return cell
