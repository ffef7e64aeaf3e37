"""The fluid in one unit while an engine or a machine moves it: sump, converter, passages, cooler and the books."""

import math
from collections import deque

from intervals.exchange.card import Compartments
from intervals.exchange.curve import fastest_per_l

HOSE_AFTER_COOLER = "after the cooler"
HOSE_BEFORE_COOLER = "before the cooler"
HOSES = (HOSE_AFTER_COOLER, HOSE_BEFORE_COOLER)

SLICE_L = 0.005
"""A slice fine enough for a box of ten litres, when it is not left to the unit."""

MOST_SLICE_SHARE = 1 / 2000
TURNED_IN_A_SLICE = 0.1
SHARE_ERROR = 3e-7
"""What a slice left to the unit may be of the total fill, may turn over of any part, and may do to the share."""

State = tuple[float, float, float, float]


class FluidInUnit:
    """Litres and fresh litres of each part.

    Sump and passages are stirred and trade fluid, the converter is stirred and fed by the sump, cooler and lines
    are a plug: first in, first out. Converter and passages may be short after a night and fill when the engine
    starts. `lost_l` and `out_l` count the fresh and all litres that left.

    Args:
        parts: the parts of the unit card, all full of old fluid at first.
        turnover, bleed: r and b, per litre of cooler flow.
        slice_l: most litres of one step of flow; None takes what keeps shares within 1e-6.
    """

    def __init__(
        self, parts: Compartments, turnover: float, bleed: float, slice_l: float | None = None
    ) -> None:
        self.parts, self.turnover, self.bleed = parts, turnover, bleed
        self.slice_l = self._fine_slice_l() if slice_l is None else slice_l
        self.sump_l, self.converter_l, self.passages_l = parts.sump_l, parts.converter_l, parts.passages_l
        self.sump_fresh_l = self.converter_fresh_l = self.passages_fresh_l = 0.0
        self.cooler: deque[tuple[float, float]] = deque([(parts.cooler_l, 0.0)] if parts.cooler_l else [])
        self.out_l = self.lost_l = self.fresh_in_l = 0.0

    def _fine_slice_l(self) -> float:
        """A slice whose mean share, in place of its true one, moves the unit's share by at most SHARE_ERROR.

        The share of the converter changes by at most (1 + b)/C in a litre, and the mean over h litres stands for
        the share within them, which is wrong by at most h^2/8 times that.
        """
        smooth_l = math.sqrt(
            8.0 * SHARE_ERROR * self.parts.total_l * self.parts.converter_l / (1.0 + self.bleed)
        )
        return min(MOST_SLICE_SHARE * self.parts.total_l, smooth_l)

    @property
    def total_l(self) -> float:
        """The unit's total fill, L."""
        return self.parts.total_l

    @property
    def missing_l(self) -> float:
        """Litres short of the total fill."""
        return self.parts.total_l - self.volume_l()

    def volume_l(self) -> float:
        """All fluid in the unit, L."""
        return self.sump_l + self.converter_l + self.passages_l + sum(litres for litres, _ in self.cooler)

    def held_l(self) -> float:
        """New fluid in the whole unit, L."""
        return (
            self.sump_fresh_l + self.converter_fresh_l + self.passages_fresh_l
            + sum(litres * share for litres, share in self.cooler)
        )  # fmt: skip

    def pour(self, litres: float) -> None:
        """Add new fluid to the sump."""
        self.sump_fresh_l += litres
        self.sump_l += litres
        self.fresh_in_l += litres

    def drain(self, litres: float, converter_back_l: float = 0.0, passages_back_l: float = 0.0) -> None:
        """Let what drains back run into the sump, stir it there, and take `litres` out by the plug."""
        for name, back_l in (("converter", converter_back_l), ("passages", passages_back_l)):
            held_l = getattr(self, f"{name}_l")
            fresh_l = back_l * getattr(self, f"{name}_fresh_l") / held_l if held_l else 0.0
            setattr(self, f"{name}_l", held_l - back_l)
            setattr(self, f"{name}_fresh_l", getattr(self, f"{name}_fresh_l") - fresh_l)
            self.sump_l += back_l
            self.sump_fresh_l += fresh_l
        fresh_l = litres * self.sump_fresh_l / self.sump_l
        self.sump_l -= litres
        self.sump_fresh_l -= fresh_l
        self.out_l += litres
        self.lost_l += fresh_l

    def start_needs_l(self) -> float:
        """Litres the sump gives to converter and passages when the engine starts."""
        return self.parts.converter_l - self.converter_l + self.parts.passages_l - self.passages_l

    def start(self) -> None:
        """Start the engine: converter and passages fill from the sump."""
        share = self.sump_fresh_l / self.sump_l
        for name in ("converter", "passages"):
            needs_l = getattr(self.parts, f"{name}_l") - getattr(self, f"{name}_l")
            setattr(self, f"{name}_l", getattr(self.parts, f"{name}_l"))
            setattr(self, f"{name}_fresh_l", getattr(self, f"{name}_fresh_l") + needs_l * share)
            self.sump_l -= needs_l
            self.sump_fresh_l -= needs_l * share

    def stir(self) -> None:
        """Run until everything is mixed, as a drive does."""
        share = self.held_l() / self.volume_l()
        self.sump_fresh_l = share * self.sump_l
        self.converter_fresh_l, self.passages_fresh_l = share * self.converter_l, share * self.passages_l
        self.cooler = deque((litres, share) for litres, _ in self.cooler)

    def flow(
        self,
        litres: float,
        *,
        is_hose_on: bool = False,
        is_machine: bool = False,
        hose: str = HOSE_AFTER_COOLER,
    ) -> None:
        """Let `litres` pass along the cooler line, slice by slice (fourth-order Runge-Kutta in each).

        Equation, per litre of flow (x: fresh share of a part; m = S x_S): C x_C' = (1 + b)(x_S - x_C);
        G x_G' = r (x_S - x_G); m' = -(1 + b) x_S + b x_C + r (x_G - x_S) + what returns; S' = -1 with the hose off,
        else 0. Source: mass balance of stirred parts and a plug.
        """
        slices_per_l = max(1.0 / self.slice_l, self._fastest(litres, is_hose_on or is_machine))
        steps = max(1, math.ceil(litres * slices_per_l - 1e-9))
        dv = litres / steps
        is_bypassed = hose == HOSE_BEFORE_COOLER and not is_hose_on
        # A cooler smaller than a slice delays nothing worth a step: what leaves is what enters, its litres swapped.
        is_plug = not is_bypassed and self.parts.cooler_l > dv
        for _ in range(steps):
            share_out = self._leave_cooler(dv) / dv if is_plug else None
            entered_l = self._slice(dv, 0.0 if not is_hose_on else share_out, is_hose_on, is_machine)
            if is_plug:
                self.cooler.append((dv, entered_l / dv))
            if not is_hose_on:
                self.out_l += dv
                self.lost_l += self._lost(entered_l, share_out, dv, is_bypassed)
            if is_machine:
                self.fresh_in_l += dv

    def _fastest(self, litres: float, is_kept_full: bool) -> float:
        """Slices per litre that the part turning over fastest needs."""
        parts, b = self.parts, self.bleed
        lowest_l = self.sump_l - (0.0 if is_kept_full else litres)
        per_l = fastest_per_l(lowest_l, parts.converter_l, parts.passages_l, self.turnover, b)
        return float(per_l) / TURNED_IN_A_SLICE

    def _lost(self, entered_l: float, share_out: float | None, dv: float, is_bypassed: bool) -> float:
        """Fresh litres that left by the hose in one slice."""
        if share_out is not None:
            return share_out * dv
        if is_bypassed or not self.cooler:
            return entered_l
        held_l = sum(litres * share for litres, share in self.cooler)
        kept_l = entered_l * self.parts.cooler_l / dv
        self.cooler = deque([(self.parts.cooler_l, entered_l / dv)])
        return held_l + entered_l - kept_l

    def _slice(self, dv: float, returns: float | None, is_hose_on: bool, is_machine: bool) -> float:
        """Step the stirred parts over one slice; return the fresh litres that left the converter for the cooler.

        `returns`: fresh share coming back into the sump, 0 with the hose off; None: as it leaves the converter.
        """
        parts, r, b = self.parts, self.turnover, self.bleed
        falls = 0.0 if is_hose_on or is_machine else 1.0
        new = 1.0 if is_machine else 0.0

        def speed(v: float, fresh: State) -> State:
            sump = fresh[0] / (self.sump_l - falls * v)
            converter, passages = fresh[1] / parts.converter_l, fresh[2] / parts.passages_l
            back = converter if returns is None else returns
            to_converter, to_passages = (1.0 + b) * sump, r * sump
            return (
                b * converter + r * passages - to_converter - to_passages + back + new,
                to_converter - (1.0 + b) * converter,
                to_passages - r * passages,
                converter,
            )

        at: State = (self.sump_fresh_l, self.converter_fresh_l, self.passages_fresh_l, 0.0)
        k1 = speed(0.0, at)
        k2 = speed(dv / 2.0, _ahead(at, k1, dv / 2.0))
        k3 = speed(dv / 2.0, _ahead(at, k2, dv / 2.0))
        k4 = speed(dv, _ahead(at, k3, dv))
        mean = tuple((a + 2.0 * (c + d) + e) / 6.0 for a, c, d, e in zip(k1, k2, k3, k4, strict=True))
        self.sump_fresh_l, self.converter_fresh_l, self.passages_fresh_l, entered_l = _ahead(at, mean, dv)
        self.sump_l -= falls * dv
        return entered_l

    def _leave_cooler(self, litres: float) -> float:
        """Take litres out of the far end of the cooler, which holds more; return the fresh litres in them."""
        wanted_l, fresh_l = litres, 0.0
        while True:
            volume_l, share = self.cooler[0]
            if volume_l > wanted_l + 1e-12 or len(self.cooler) == 1:
                self.cooler[0] = (volume_l - wanted_l, share)
                return fresh_l + wanted_l * share
            self.cooler.popleft()
            fresh_l += volume_l * share
            wanted_l -= volume_l


def _ahead(at: State, speed: tuple[float, ...], dv: float) -> State:
    return at[0] + speed[0] * dv, at[1] + speed[1] * dv, at[2] + speed[2] * dv, at[3] + speed[3] * dv
