"""Names of the methods and of the drains before them."""

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard

COOLER_LINE = "cooler-line exchange"
MACHINE = "machine exchange"
DRAIN = "drain-and-refill"
OVERNIGHT = "overnight drain"

START_NONE = "none"
START_QUICK = "quick drain"
START_OVERNIGHT = "overnight drain"


def start_litres(card: UnitCard, start: str) -> float:
    """Litres drained, and poured back, before the exchange begins.

    Args:
        card: the unit card.
        start: 'none', 'quick drain' or 'overnight drain'.

    Returns:
        Litres.

    Raises:
        CardError: the card does not give that drain.
        QuantityError: an unknown start.
    """
    if start == START_NONE:
        return 0.0
    if start not in (START_QUICK, START_OVERNIGHT):
        raise QuantityError(f"Unknown start '{start}'; allowed are none, quick drain and overnight drain.")
    drained_l = card.quick_drain_l if start == START_QUICK else card.overnight_drain_l
    if drained_l is None:
        raise CardError(f"The unit card does not give the {start}.")
    return drained_l
