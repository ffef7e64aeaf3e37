"""Packs for many needs at once from one price list: every need that rounds up to the same step shares a choice."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shop.planning.exact_totals import ML_PER_L, Pack, grid_of
from shop.planning.packs import PackChoice, choose_packs


class PackTable:
    """The cheapest packs for any need, each need buying for itself.

    All totals on offer are multiples of the packs' greatest common measure, so a need and the same need rounded
    up to that measure are covered by the same packs. The table holds one exact choice per such step, worked
    out when it is first asked for. What is left over earns no credit.
    """

    def __init__(self, packs: Sequence[Pack]) -> None:
        """Take the price list. Raises ValueError for an empty one."""
        if not packs:
            raise ValueError("No supplier offers this fluid with a price; add a pack before a table is made.")
        self._packs = tuple(packs)
        self.step_ml = grid_of(packs)
        self._choices: dict[int, PackChoice] = {}

    def steps(self, needs_l: ArrayLike) -> NDArray[np.int64]:
        """Needs in litres, rounded up to steps of `step_ml`; a need that is not known is -1, none is 0."""
        needs = np.asarray(needs_l, dtype=np.float64)
        is_known = np.isfinite(needs)
        need_ml = np.ceil(np.where(is_known, needs, 0.0) * ML_PER_L - 1e-6)
        steps = np.ceil(np.maximum(need_ml, 0.0) / self.step_ml).astype(np.int64)
        return np.where(is_known, steps, -1)

    def choice(self, step: int) -> PackChoice:
        """The packs for one step of `steps`."""
        if step not in self._choices:
            need_l = float("nan") if step < 0 else step * self.step_ml / ML_PER_L
            self._choices[step] = choose_packs(need_l, self._packs)
        return self._choices[step]

    def prices(self, needs_l: ArrayLike) -> NDArray[np.float64]:
        """Money for the packs of every need; NaN where the need is not known."""
        distinct, place = np.unique(self.steps(needs_l), return_inverse=True)
        money = [float("nan") if step < 0 else float(self.choice(step).price) for step in distinct.tolist()]
        return np.array(money, dtype=np.float64)[place]
