"""Histories of readings made fit for forecasting: in order, without slips, cut where a meter began anew."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from intervals.errors import ReadingError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SLIP = "does not fit the readings before and after it"
SECOND = "a second reading of the same day"


@dataclass(frozen=True, slots=True)
class SetAside:
    """One reading that was not used: its place in the input and why."""

    place: int
    reason: str


@dataclass(frozen=True, slots=True)
class Histories:
    """Readings of many meters, sorted by meter and day; a meter that began anew counts as another from there.

    Attributes:
        meter: number of the meter, 0 to `meters` - 1.
        group: number of the meter's group.
        day: ordinal of the day.
        total: what the meter showed, never falling within one meter.
        place: where each reading stood in the input.
        set_aside: readings that were not used.
        cuts: how many meters went back for good and were cut there.
    """

    meter: IntArray
    group: IntArray
    day: FloatArray
    total: FloatArray
    place: IntArray
    set_aside: tuple[SetAside, ...]
    cuts: int

    @property
    def meters(self) -> int:
        """How many meters there are, cut ones counted as several."""
        return int(self.meter[-1]) + 1 if self.meter.size else 0

    @property
    def starts(self) -> IntArray:
        """Where each meter's readings begin, and the end of the last."""
        return np.append(np.flatnonzero(np.diff(self.meter, prepend=-1)), self.meter.size)


def clean_histories(
    vehicles: Sequence[str], groups: Sequence[str], days: Sequence[int], totals: Sequence[float]
) -> Histories:
    """Sort readings and take out what cannot be.

    Of two readings on one day the higher counts. A single reading that stands above the next one or below the last
    one, where these two fit each other, is a slip and is set aside. A meter that goes back and stays there was
    replaced or set to zero: its readings from there on are a history of their own.

    Args:
        vehicles, groups: names; a vehicle belongs to the group of its first reading.
        days: ordinals.
        totals: what the meter showed, in its own unit.

    Returns:
        The histories.

    Raises:
        ReadingError: the columns have different lengths, or a total is below zero or not a number.
    """
    if not len(vehicles) == len(groups) == len(days) == len(totals):
        raise ReadingError(
            "Vehicles, groups, days and totals have different lengths. Give one of each per reading."
        )
    values = np.asarray(totals, dtype=np.float64)
    if not bool(np.all(np.isfinite(values) & (values >= 0))):
        raise ReadingError("A reading is below zero or not a number. Leave it out or read the meter again.")
    names, meter_of = np.unique(np.asarray(vehicles, dtype=str), return_inverse=True)
    ordinals = np.asarray(days, dtype=np.float64)
    order = np.lexsort((values, ordinals, meter_of))
    group_of = _first_groups(names.size, meter_of, np.asarray(groups, dtype=str), order)
    kept: list[IntArray] = []
    meter_numbers: list[int] = []
    aside: list[SetAside] = []
    cuts = 0
    bounds = np.append(np.flatnonzero(np.diff(meter_of[order], prepend=-1)), order.size)
    for begin, end in pairwise(bounds.tolist()):
        pieces = _pieces(order[begin:end], ordinals, values, aside)
        cuts += len(pieces) - 1
        for piece in pieces:
            kept.append(piece)
            meter_numbers.append(int(meter_of[piece[0]]))
    place = np.concatenate(kept) if kept else np.zeros(0, dtype=np.int64)
    counts = [piece.size for piece in kept]
    return Histories(
        np.repeat(np.arange(len(kept)), counts), group_of[np.repeat(np.array(meter_numbers, dtype=np.int64), counts)],
        ordinals[place], values[place], place, tuple(aside), cuts,
    )  # fmt: skip


def _first_groups(meters: int, meter_of: IntArray, groups: npt.NDArray[np.str_], order: IntArray) -> IntArray:
    _, numbers = np.unique(groups, return_inverse=True)
    found = np.zeros(meters, dtype=np.int64)
    found[meter_of[order][::-1]] = numbers[order][::-1]
    return found


def _pieces(rows: IntArray, days: FloatArray, totals: FloatArray, aside: list[SetAside]) -> list[IntArray]:
    """Cut one meter's readings, in order of day and total, where it went back for good."""
    is_last = np.append(np.diff(days[rows]) > 0, True)
    aside += [SetAside(int(place), SECOND) for place in rows[~is_last]]
    rows = rows[is_last]
    pieces: list[list[int]] = [[]]
    for at, row in enumerate(rows.tolist()):
        piece, value = pieces[-1], totals[row]
        following = totals[rows[at + 1]] if at + 1 < rows.size else None
        if not piece or value >= totals[piece[-1]]:
            if piece and following is not None and totals[piece[-1]] <= following < value:
                aside.append(SetAside(row, SLIP))
                continue
            piece.append(row)
        elif following is not None and following >= totals[piece[-1]]:
            aside.append(SetAside(row, SLIP))
        else:
            pieces.append([row])
    return [np.array(piece, dtype=np.int64) for piece in pieces if piece]
