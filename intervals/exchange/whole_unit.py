"""The fluid in a unit whose parts are not known: what the total fill and the drained litres alone can say."""

from intervals.exchange.card import UnitCard
from intervals.exchange.shares import MIXING_BEST, one_number_share

_WITHOUT_PARTS = "the unit card does not give the parts"


class CannotSay(Exception):
    """A share the figures at hand do not give; the message says why, and what would help."""


class WholeUnit:
    """Litres and fresh litres of a unit as a whole, from one engine run that mixes everything to the next.

    The first drain after such a run takes out the mixture, a second one what lies in the sump (its litres below the
    plug must be known). Litres pushed through after the refill follow the one-number formula.

    Args:
        card: the unit card.
        mixing: m, 0 (pure push) to 1 (stirred).
    """

    def __init__(self, card: UnitCard, mixing: float = MIXING_BEST) -> None:
        self.total_l, self.mixing = card.total_fill_l, mixing
        self.sump_l = _full_sump_l(card)
        self.missing_l = self.out_l = self.lost_l = self.fresh_in_l = 0.0
        self.was_pushed = False
        self._fresh_l = 0.0
        self.stir()

    def volume_l(self) -> float:
        """All fluid in the unit, L."""
        return self.total_l - self.missing_l

    def held_l(self) -> float:
        """New fluid in the whole unit, L."""
        return self._fresh_l

    def stir(self) -> None:
        """Run until everything is mixed, as a drive does."""
        self._mixed_share = self._fresh_l / self.volume_l()
        self._poured_l = self._pushed_l = 0.0
        self._is_night = self._is_drained_again = False
        self._sump_fresh_l = (
            None if self.sump_l is None else self._mixed_share * (self.sump_l - self.missing_l)
        )

    def pour(self, litres: float) -> None:
        """Add new fluid to the sump."""
        self._fresh_l += litres
        self.fresh_in_l += litres
        self.missing_l -= litres
        self._poured_l += litres
        if self._sump_fresh_l is not None:
            self._sump_fresh_l += litres

    def drain_quickly(self, litres: float) -> None:
        """Take out by the plug what a sump gives in ten minutes. Raises CannotSay: what lies there is not known."""
        if self._pushed_l:
            raise CannotSay(
                f"{_WITHOUT_PARTS}, so what lies in the sump after a push is not known; drive first."
            )
        self._is_drained_again |= self._poured_l > 0.0
        if not self._is_drained_again:
            self._drain(litres, self._mixed_share)
            return
        if self._is_night or self.sump_l is None or self._sump_fresh_l is None:
            raise CannotSay(
                f"{_WITHOUT_PARTS}, so how much of what was just poured comes out again is not known; drive first."
            )
        self._drain(litres, self._sump_fresh_l / (self.sump_l - self.missing_l))

    def drain_overnight(self, litres: float) -> None:
        """Take out what leaves in a night. Raises CannotSay: new fluid was added since all was mixed."""
        if self._pushed_l or self._poured_l:
            raise CannotSay(f"{_WITHOUT_PARTS}, so what drains back in a night is not known; drive first.")
        self._is_night = True
        self._drain(litres, self._mixed_share)

    def _drain(self, litres: float, share: float) -> None:
        self._fresh_l -= litres * share
        self.lost_l += litres * share
        self.out_l += litres
        self.missing_l += litres
        if self._sump_fresh_l is not None:
            self._sump_fresh_l -= litres * share

    def circulate(self, litres: float) -> None:
        """Flow with the hose on. Raises CannotSay: unless everything is mixed already."""
        if self._pushed_l or self._poured_l:
            raise CannotSay(f"{_WITHOUT_PARTS}, so how far {litres:g} L mix is not known; drive instead.")

    def push(self, litres: float) -> None:
        """Push new fluid through the full unit.

        Equation: f = 1 - (1 - x0)(1 - f1(D, v)), x0 the share when all was last mixed and f1 `one_number_share` of
        the D litres poured and the v litres pushed since. Source: mass balance; what was old then is replaced alike.

        Raises CannotSay: after a second drain, which took new fluid out again.
        """
        if self._is_drained_again:
            raise CannotSay(
                f"{_WITHOUT_PARTS}, so a push after two drains in a row is not known; drive first."
            )
        self._pushed_l += litres
        renewed = one_number_share(self._poured_l, self._pushed_l, self.total_l, self.mixing)
        held_l = self.total_l * (1.0 - (1.0 - self._mixed_share) * (1.0 - renewed))
        self.lost_l += litres - (held_l - self._fresh_l)
        self._fresh_l = held_l
        self.fresh_in_l += litres
        self.out_l += litres
        self.was_pushed = True


def _full_sump_l(card: UnitCard) -> float | None:
    """The full sump, or what leaves it and stays below the plug together."""
    if card.sump_l is not None or card.heel_l is None or card.quick_drain_l is None:
        return card.sump_l
    return card.heel_l + card.quick_drain_l
