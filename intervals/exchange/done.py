"""What a finished job left in the unit: its fresh share from the method and the litres that really went in."""

from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.card import UnitCard, check_card
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, METHODS, REPEATED
from intervals.exchange.model import simulate
from intervals.exchange.shares import mixing_numbers, one_number_share, share_after_drains
from intervals.exchange.starts import COOLER_LINE, MACHINE, START_NONE, start_litres

BY_PARTS = "simulated from the unit card's parts"
BY_ONE_NUMBER = "one-number formula, the unit card has no compartments"
BY_DRAINED = "litres renewed over total fill"
BY_DISPLACEMENT = "new fluid pushed through, mixing as it goes"


@dataclass(frozen=True, slots=True)
class DoneShare:
    """Fresh share of the fill right after a job, 0 to 1, and how it was worked out."""

    share: float
    basis: str


def split_title(title: str) -> tuple[str, str]:
    """Return (start, method) of a method as written on a job, e.g. 'overnight drain + cooler-line exchange'.

    Raises:
        QuantityError: a method that is not known.
    """
    start, plus, method = (part.strip() for part in title.partition("+"))
    if not plus:
        start, method = START_NONE, start
    if method not in METHODS:
        raise QuantityError(f"“{method}” is no method; allowed are {', '.join(METHODS)}.")
    return start, method


def share_of_done(card: UnitCard, title: str, new_fluid_l: float, drains: int = 1) -> DoneShare:
    """Return the fresh share after a finished job.

    Args:
        card: the unit card.
        title: the method, with the drain before it where there was one.
        new_fluid_l: all new fluid that stayed in or passed through the unit, L at 20 °C.
        drains: how often it was drained, for repeated drains.

    Returns:
        The share and its basis; never above 1.

    Raises:
        CardError: the card lacks what the method needs.
        QuantityError: an unknown method, or litres that are not above zero.
    """
    check_card(card)
    start, method = split_title(title)
    if not new_fluid_l > 0:
        raise QuantityError(f"{new_fluid_l:g} L of new fluid cannot be right; enter the litres that went in.")
    if method in (COOLER_LINE, MACHINE):
        return _exchanged(card, start, method, new_fluid_l)
    total_l = card.total_fill_l
    if method in (REPEATED, CYCLE_TANK):
        times = max(drains, 2)
        each_l = min(new_fluid_l / times, total_l)
        return DoneShare(share_after_drains(times, each_l, total_l), BY_DRAINED)
    if method == BLEED:
        return DoneShare(
            one_number_share(0.0, new_fluid_l, total_l, mixing_numbers(card.mixing)[0]), BY_DISPLACEMENT
        )
    return DoneShare(min(1.0, new_fluid_l / total_l), BY_DRAINED)


def _exchanged(card: UnitCard, start: str, method: str, new_fluid_l: float) -> DoneShare:
    if card.has_compartments:
        run = simulate(card, method, new_fluid_l, start=start)
        if run.fresh_share is not None:
            return DoneShare(run.fresh_share, BY_PARTS)
    drained_l = min(start_litres(card, start), new_fluid_l)
    pushed_l, mixing = new_fluid_l - drained_l, mixing_numbers(card.mixing)[0]
    return DoneShare(one_number_share(drained_l, pushed_l, card.total_fill_l, mixing), BY_ONE_NUMBER)


def litres_exchanged(card: UnitCard, title: str, new_fluid_l: float) -> tuple[float, float]:
    """Return litres drained and refilled, and litres pushed through after, of a finished job.

    Where nothing is pushed, repeated drains count as the one drain that would leave the same share.
    Args and Raises: as `share_of_done`.
    """
    start, method = split_title(title)
    if method in (COOLER_LINE, MACHINE):
        drained_l = min(start_litres(card, start), new_fluid_l)
        return drained_l, new_fluid_l - drained_l
    if method == BLEED:
        return 0.0, new_fluid_l
    return share_of_done(card, title, new_fluid_l).share * card.total_fill_l, 0.0
