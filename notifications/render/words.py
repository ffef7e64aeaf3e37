"""Days, hours and amounts as the mail writes them."""

from datetime import date, datetime, time

from intervals.quantities import from_l

# Written out because the names must not follow the server's language.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_NO_BREAK = "\N{NO-BREAK SPACE}"


def day_words(day: date, today: date, *, with_weekday: bool = False) -> str:
    """Return a day such as “5 Mar”, with its weekday if asked and its year if it is not this one."""
    weekday = f"{_DAYS[day.weekday()]} " if with_weekday else ""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{weekday}{day.day} {_MONTHS[day.month - 1]}{year}"


def range_words(low: date | None, high: date | None, due: date, today: date) -> str:
    """Return a range such as “ (3–8)”, or nothing when the day is certain or its range is not known."""
    if low is None or high is None or low == high:
        return ""
    if len({(day.year, day.month) for day in (low, high, due)}) == 1:
        return f" ({low.day}–{high.day})"
    return f" ({day_words(low, today)} – {day_words(high, today)})"


def instant_words(instant: datetime, today: date) -> str:
    """Return a local instant such as “today 11:00” or “Fri 27 Feb 15:40”."""
    day = "today" if instant.date() == today else day_words(instant.date(), today, with_weekday=True)
    return f"{day} {hour_words(instant.time())}"


def hour_words(at: time) -> str:
    """Return an hour such as “05:30”."""
    return f"{at.hour:02}:{at.minute:02}"


def amount_words(value: float, unit: str) -> str:
    """Return an amount such as “10 514 km” or “17.5 h”; hours keep a tenth."""
    text = f"{value:,.1f}" if unit == "h" else f"{value:,.0f}"
    return f"{text.replace(',', _NO_BREAK)}{_NO_BREAK}{unit}"


def volume_words(litres: float, unit: str, *, is_whole: bool = False) -> str:
    """Return a volume of `litres` in the unit a depot counts in, to a tenth (US gal: a hundredth) or whole."""
    decimals = 0 if is_whole else 1 if unit == "L" else 2
    text = f"{from_l(litres, unit):,.{decimals}f}"
    return f"{text.replace(',', _NO_BREAK)}{_NO_BREAK}{unit}"


def share_words(share: float) -> str:
    """Return a share such as “117.5 %”."""
    return f"{share * 100:.1f}{_NO_BREAK}%"


def shortened(text: str, limit: int) -> str:
    """Return the text on one line, cut at a word where it is longer than `limit` characters."""
    line = " ".join(text.split())
    if len(line) <= limit:
        return line
    return line[: limit - 1].rsplit(" ", 1)[0].rstrip(" ,;:") + "…"


def counted(count: int, one: str, many: str) -> str:
    """Return “1 job” or “3 jobs”."""
    return f"{count} {one if count == 1 else many}"
