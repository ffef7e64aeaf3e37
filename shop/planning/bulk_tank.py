"""Bulk tanks: litres from a dip, and whether what went in and out by the books is what is there."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite

NORMAL_SHARE = 0.01
LOOK_SHARE = 0.03
LOOK_PERIODS = 2
"""A hundredth of the issues either way is usual; three, two months running, are looked at. Common practice, no
source."""

DIP_BASE_C = 15.0


@dataclass(frozen=True, slots=True)
class Shrink:
    """Litres missing (above zero) or too many since the dip before, and their share of what was issued."""

    missing_l: float
    share: float
    is_normal: bool


def shrink(opening_l: float, deliveries_l: float, issues_l: float, dip_l: float) -> Shrink | None:
    """Compare a dip with the dip before and what the books moved in between.

    `share = (opening + deliveries - issues - dip) / issues`; all litres at 15 °C. Returns None when nothing was issued:
    a share of nothing cannot be said. Raises ValueError for litres below zero or not finite.
    """
    amounts = (opening_l, deliveries_l, issues_l, dip_l)
    if not all(isfinite(litres) and litres >= 0 for litres in amounts):
        raise ValueError("Opening, deliveries, issues and dip are litres of 0 or more; correct them.")
    if issues_l == 0:
        return None
    missing_l = opening_l + deliveries_l - issues_l - dip_l
    share = missing_l / issues_l
    return Shrink(missing_l, share, abs(share) <= NORMAL_SHARE + 1e-12)


@dataclass(frozen=True, slots=True)
class TankVerdict:
    """What the months say together: `normal`, `watch`, `look` or `cannot say`, with candidates where one looks."""

    state: str
    sentence: str
    candidates: tuple[str, ...]


def verdict_on(months: Sequence[Shrink | None]) -> TankVerdict:
    """Judge a tank by its newest months, the oldest first; None is a month of which nothing can be said.

    Three hundredths of the issues the same way in the last two months are looked at; one month beyond a hundredth is
    watched.
    """
    last = months[-1] if months else None
    if last is None:
        return TankVerdict(
            "cannot say", "Two dips with issues in between are needed; the last month has none.", ()
        )
    newest = months[-LOOK_PERIODS:]
    shares = [month.share for month in newest if month is not None]
    is_far = len(shares) == LOOK_PERIODS and (
        all(share >= LOOK_SHARE for share in shares) or all(share <= -LOOK_SHARE for share in shares)
    )
    side = "missing" if last.missing_l >= 0 else "too many"
    words = f"{abs(last.missing_l):.0f} L {side}, {abs(last.share):.2%} of the issues"
    if is_far:
        return TankVerdict(
            "look", f"{words}, {LOOK_PERIODS} months running beyond {LOOK_SHARE:.0%}.", _candidates(last)
        )
    if last.is_normal:
        return TankVerdict("normal", f"{words}; up to {NORMAL_SHARE:.0%} either way is usual.", ())
    return TankVerdict("watch", f"{words}; dip again next month before anything is concluded.", ())


def _candidates(last: Shrink) -> tuple[str, ...]:
    if last.missing_l > 0:
        return (
            "meter: it shows less than it pours; pour 20 L into a checked can and compare",
            "leak: look at tank, bund, hose and gun",
            "fills that nobody booked: compare the day's jobs with the meter's total",
        )
    return (
        "meter: it shows more than it pours; pour 20 L into a checked can and compare",
        "a delivery that was not booked, or booked short",
        "water or another fluid in the tank: draw a sample from the bottom",
    )


def litres_from_dip(mm: float, table: Sequence[tuple[float, float]]) -> float:
    """Return litres by a tank's dip table, straight between its lines.

    mm: how far the stick is wet. table: mm and litres of each line, rising in both. Raises ValueError for a table of
    fewer than two lines or one that does not rise, and for a stick beyond its ends.
    """
    rows = sorted(table)
    if len(rows) < 2 or any(not (low[0] < high[0] and low[1] < high[1]) for low, high in pairwise(rows)):
        raise ValueError("The dip table needs two lines or more, rising in mm and in litres; type it again.")
    if not rows[0][0] <= mm <= rows[-1][0]:
        raise ValueError(
            f"{mm:g} mm lie outside the dip table ({rows[0][0]:g} to {rows[-1][0]:g} mm); dip again or type litres."
        )
    low, high = next(pair for pair in pairwise(rows) if mm <= pair[1][0])
    return low[1] + (high[1] - low[1]) * (mm - low[0]) / (high[0] - low[0])
