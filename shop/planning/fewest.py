"""The fewest products with which every unit still has one that may go in.

Takers (units alike in what may go in) and products make a covering problem. It falls into parts that share no
product; each part is searched exactly, so the whole is exact. The search is branch and bound: the taker with the
fewest products left is given each of them in turn, and a branch ends where even its lower bound is no better than the
best set in hand.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

STEPS_LIMIT = 200_000
"""Branches tried in one part before the best set so far is given without proof. House default."""


@dataclass(frozen=True, slots=True)
class Taker:
    """Units that are alike: what they hold today and what may go in, with what each would cost in a year.

    label: names them. today: the product they hold, None when not known. cost_cents: product that may go in → money
    a year in hundredths, None where it has no price. units: how many they are.
    """

    label: str
    today: str | None
    cost_cents: Mapping[str, int | None]
    units: int = 1


@dataclass(frozen=True, slots=True)
class FewestSet:
    """The set found, and who is given what.

    given: taker → product. without: takers for which nothing may go in. unpriced_units: units whose product has no
    price. cost_cents: money a year of all the others. changed_units: units that get another product than today.
    is_proved: no smaller, and no cheaper equally small set exists. steps: branches tried.
    """

    products: tuple[str, ...]
    given: Mapping[str, str]
    without: tuple[str, ...]
    unpriced_units: int
    cost_cents: int
    changed_units: int
    is_proved: bool
    steps: int


_Key = tuple[int, int, int, int]


def fewest(takers: Sequence[Taker], keep: Collection[str] = (), never: Collection[str] = ()) -> FewestSet:
    """Return the smallest set of products that serves every taker.

    Minimise, one after the other, the number of products, the units without a price, the money a year and the units
    that change. Who holds a product of the set keeps it; anybody else gets the cheapest of the set, by code where two
    cost the same.

    takers: labels are unique. keep: products in the set whatever. never: products out of it; they win over `keep`.
    Raises ValueError for a label given twice.
    """
    if len({taker.label for taker in takers}) < len(takers):
        raise ValueError("Two takers have one label; give each its own.")
    out = frozenset(never)
    forced = frozenset(keep) - out
    served: list[Taker] = []
    without: list[str] = []
    for taker in takers:
        left = {product: cost for product, cost in taker.cost_cents.items() if product not in out}
        if left:
            served.append(Taker(taker.label, taker.today, left, taker.units))
        else:
            without.append(taker.label)
    chosen = set(forced)
    is_proved, steps = True, 0
    for part in _parts(served):
        search = _Search(part, forced & {product for taker in part for product in taker.cost_cents})
        search.run()
        chosen |= search.best_set
        is_proved &= search.steps <= STEPS_LIMIT
        steps += search.steps
    given = {taker.label: _given(taker, chosen) for taker in served}
    key = _key(served, chosen)
    return FewestSet(
        tuple(sorted(chosen)), given, tuple(without), key[1], key[2], key[3], is_proved, steps
    )  # fmt: skip


def _parts(takers: Sequence[Taker]) -> list[list[Taker]]:
    """Return the takers in parts of which no two share a product."""
    parts: list[tuple[set[str], list[Taker]]] = []
    for taker in takers:
        own: tuple[set[str], list[Taker]] = (set(taker.cost_cents), [taker])
        apart = []
        for part in parts:
            if part[0] & own[0]:
                own = (own[0] | part[0], part[1] + own[1])
            else:
                apart.append(part)
        parts = [*apart, own]
    return [part for _, part in parts]


def _rank(taker: Taker, product: str) -> tuple[int, int, int, str]:
    """Order of a taker's products: today's, then what has a price, then the cheapest, then by code."""
    cost = taker.cost_cents[product]
    return (product != taker.today, cost is None, cost or 0, product)


def _given(taker: Taker, chosen: Collection[str]) -> str:
    return min((one for one in taker.cost_cents if one in chosen), key=lambda one: _rank(taker, one))


def _key(takers: Iterable[Taker], chosen: Collection[str]) -> _Key:
    unpriced = cost = changed = 0
    for taker in takers:
        product = _given(taker, chosen)
        own = taker.cost_cents[product]
        unpriced += taker.units if own is None else 0
        cost += own or 0
        changed += taker.units if product != taker.today else 0
    return (len(chosen), unpriced, cost, changed)


@dataclass(slots=True)
class _Search:
    """Branch and bound over one part."""

    takers: list[Taker]
    forced: frozenset[str]
    best_set: frozenset[str] = frozenset()
    best_key: _Key | None = None
    steps: int = 0
    covers: dict[str, int] = field(default_factory=dict)

    def run(self) -> None:
        """Find the best set of this part."""
        for taker in self.takers:
            for product in taker.cost_cents:
                self.covers[product] = self.covers.get(product, 0) + taker.units
        self._branch(self.forced, frozenset())

    def _branch(self, chosen: frozenset[str], barred: frozenset[str]) -> None:
        self.steps += 1
        if self.best_key is not None and self.steps > STEPS_LIMIT:
            return
        open_takers = [taker for taker in self.takers if not chosen & taker.cost_cents.keys()]
        if not open_takers:
            key = _key(self.takers, chosen)
            if self.best_key is None or (key, sorted(chosen)) < (self.best_key, sorted(self.best_set)):
                self.best_key, self.best_set = key, chosen
            return
        left = [sorted(taker.cost_cents.keys() - barred) for taker in open_takers]
        if not all(left) or self._is_hopeless(chosen, barred, left):
            return
        tried = barred
        shortest = min(left, key=lambda products: len(products))
        for product in sorted(shortest, key=lambda one: (-self.covers[one], one)):
            self._branch(chosen | {product}, tried)
            tried = tried | {product}

    def _is_hopeless(self, chosen: frozenset[str], barred: frozenset[str], left: list[list[str]]) -> bool:
        """Say whether no set below this branch can be as good as the best in hand."""
        if self.best_key is None:
            return False
        more, seen = 0, set[str]()
        for products in sorted(left, key=len):
            if seen.isdisjoint(products):
                more += 1
                seen.update(products)
        least = len(chosen) + more
        if least != self.best_key[0]:
            return least > self.best_key[0]
        unpriced = cost = 0
        for taker in self.takers:
            known = [own for product, own in taker.cost_cents.items() if product not in barred]
            priced = [own for own in known if own is not None]
            unpriced += 0 if priced else taker.units
            cost += min(priced, default=0)
        return (unpriced, cost) > self.best_key[1:3]
