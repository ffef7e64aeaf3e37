"""Fresh share against litres with its band: what a method brings if mixing goes badly, as a rule, or well."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, METHODS, REPEATED
from intervals.exchange.curve import share_curve
from intervals.exchange.shares import mixing_numbers, one_number_share, share_after_drains
from intervals.exchange.starts import COOLER_LINE, MACHINE, OVERNIGHT, start_litres
from intervals.exchange.yields import BLEEDS, CAUTIOUS_PERCENTILE, TURNOVERS

_MOST_DRAINS = 12


@dataclass(frozen=True, slots=True)
class ShareBand:
    """Fresh share (0 to 1) for each value of litres.

    Attributes:
        litres: all new fluid, L, the refill of a drain before it included.
        least, low: the worst mixing case; the cautious one, a fifth of the cases lie below it.
        best, most: best guess; the best case.
    """

    litres: tuple[float, ...]
    least: tuple[float, ...]
    low: tuple[float, ...]
    best: tuple[float, ...]
    most: tuple[float, ...]


def share_band(
    card: UnitCard, method: str, start: str, litres: Sequence[float], stage_l: float | None = None
) -> ShareBand:
    """Fresh share of one method for many litres.

    With all compartments on the card an exchange is solved for 25 mixing cases (`share_curve`); without, the
    one-number formula gives stirred, cautious, best guess and pure push. A drain has no band: what came out
    is known.

    Args:
        card: the unit card.
        method, start: the method and the drain before it.
        litres: new fluid, L, in rising order; for an exchange at least the drain before it.
        stage_l: litres per engine run with the hose off; None takes the stage limit.

    Returns:
        The band.

    Raises:
        CardError: the card lacks what the method needs, or its parts are too small to be worked out.
        QuantityError: an unknown method, or litres the method cannot take.
    """
    if method not in METHODS:
        raise QuantityError(f"Unknown method '{method}'; allowed are {', '.join(METHODS)}.")
    values = np.asarray(litres, dtype=np.float64)
    if not (np.all(np.isfinite(values)) and np.all(values >= 0.0)):
        raise QuantityError("The litres of new fluid must be zero or more.")
    if method in (COOLER_LINE, MACHINE):
        rows = _pushed(card, method, start, values, stage_l)
    elif method == BLEED:
        rows = _one_number(card, 0.0, values)
    else:
        shares = np.array([_drained(card, method, value) for value in values.tolist()])
        rows = np.stack([shares] * 4)
    if not (np.all(np.isfinite(rows)) and np.all(rows >= -1e-6) and np.all(rows <= 1.0 + 1e-6)):
        raise CardError("The parts on the unit card are too small beside each other to be worked out.")
    least, low, best, most = (tuple(row) for row in np.clip(rows, 0.0, 1.0).tolist())
    return ShareBand(tuple(values.tolist()), least, low, best, most)


def _pushed(
    card: UnitCard, method: str, start: str, values: NDArray[np.float64], stage_l: float | None
) -> NDArray[np.float64]:
    drained_l = start_litres(card, start)
    if np.any(values < drained_l - 1e-9):
        raise QuantityError(
            f"The {drained_l:g} L of the {start} go back in first; {values.min():g} L are not enough."
        )
    if not card.has_compartments:
        return _one_number(card, drained_l, values - drained_l)
    shares = share_curve(
        card, method, values, np.append(TURNOVERS, card.turnover), np.append(BLEEDS, card.bleed),
        start=start, stage_l=stage_l,
    )  # fmt: skip
    cases, best = shares[:-1], shares[-1]
    low = np.percentile(cases, CAUTIOUS_PERCENTILE, axis=0)
    return np.stack([shares.min(axis=0), low, best, shares.max(axis=0)])


def _one_number(card: UnitCard, drained_l: float, pushed_l: NDArray[np.float64]) -> NDArray[np.float64]:
    best, cautious = mixing_numbers(card.mixing)
    return np.array(
        [
            [one_number_share(drained_l, max(v, 0.0), card.total_fill_l, m) for v in pushed_l.tolist()]
            for m in (1.0, cautious, best, 0.0)
        ]
    )


def _drained(card: UnitCard, method: str, litres: float) -> float:
    total_l = card.total_fill_l
    one_l = card.overnight_drain_l if method == OVERNIGHT else card.quick_drain_l
    if method in (REPEATED, CYCLE_TANK):
        most_l = total_l if one_l is None else one_l
        times = 2 if method == CYCLE_TANK else max(1, int(np.ceil(litres / most_l - 1e-9)))
        if times > _MOST_DRAINS or litres / times > most_l + 1e-9:
            raise QuantityError(f"{litres:g} L are more than this unit gives in {_MOST_DRAINS} drains.")
        return share_after_drains(times, litres / times, total_l)
    if litres > (total_l if one_l is None else one_l) + 1e-9:
        raise QuantityError(
            f"{litres:g} L do not come out in one {method}; at most {total_l if one_l is None else one_l:g} L."
        )
    return min(1.0, litres / total_l)
