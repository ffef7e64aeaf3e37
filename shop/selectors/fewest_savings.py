"""What dropping a product saves in a year: price, stock kept, and what is thrown away of opened packs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shop.models import Pack, Product
from shop.planning.pack_costs import emptying_l_per_year

_Flow = tuple[str, float, float]


@dataclass(frozen=True, slots=True)
class Saving:
    """Money a year by its three sources, each with its sum in words; below zero it costs.

    total: all three together. unknown: what could not be said.
    """

    price: float
    stock: float
    opened: float
    total: float
    price_sum: str
    stock_sum: str
    opened_sum: str
    unknown: str


@dataclass(frozen=True, slots=True)
class Savings:
    """Works out the savings of all products dropped together.

    products: by code. packs: product → the pack it is priced and opened in. shelf_l: code → litres on the shelf.
    """

    products: Mapping[str, Product]
    packs: Mapping[int, Pack]
    shelf_l: Mapping[str, float]
    keeping_share: float

    def work_out(
        self,
        before_l: Mapping[str, float],
        after_l: Mapping[str, float],
        flows: Mapping[str, Sequence[_Flow]],
    ) -> dict[str, Saving]:
        """Return the saving of each dropped product by its code.

        before_l, after_l: code → litres a year. flows: dropped code → (new code, litres a year of the old, of the new).
        """
        heirs = {code: max(own, key=lambda flow: flow[2])[0] for code, own in flows.items()}
        found = {}
        for code, own in flows.items():
            price, price_sum, unknown = self._price(code, own)
            stock, stock_sum = self._stock(code, heirs)
            opened, opened_sum = self._opened(code, own, before_l, after_l)
            found[code] = Saving(
                price, stock, opened, price + stock + opened, price_sum, stock_sum, opened_sum, unknown
            )
        return found

    def _price_per_l(self, code: str) -> float | None:
        pack = self.packs.get(self.products[code].pk)
        return None if pack is None else float(pack.price) / pack.size_l

    def _price(self, code: str, own: Sequence[_Flow]) -> tuple[float, str, str]:
        old_price = self._price_per_l(code)
        total, sums, unknown = 0.0, [], []
        for new, old_l, new_l in own:
            new_price = self._price_per_l(new)
            if old_price is None or new_price is None:
                unknown.append(f"no price of {code if old_price is None else new} is on record")
                continue
            total += old_l * old_price - new_l * new_price
            sums.append(f"{old_l:.1f} L × {old_price:.2f} − {new_l:.1f} L × {new_price:.2f}")
        return total, " + ".join(sums), "; ".join(sorted(set(unknown)))

    def _stock(self, code: str, heirs: Mapping[str, str]) -> tuple[float, str]:
        """One shelf of those that become one stays, the largest; the others are no longer kept."""
        heir = heirs[code]
        merged = sorted(
            {heir, *(own for own, other in heirs.items() if other == heir)},
            key=lambda own: (-self.shelf_l.get(own, 0.0), own != heir, own),
        )
        litres, price = self.shelf_l.get(code, 0.0), self._price_per_l(code)
        if merged[0] == code:
            return 0.0, f"its shelf of {litres:.1f} L is the largest of those that become one and stays"
        if price is None:
            return 0.0, "cannot say without its price"
        return (
            litres * price * self.keeping_share,
            f"{litres:.1f} L kept × {price:.2f} × {self.keeping_share:.0%} a year",
        )

    def _opened(
        self, code: str, own: Sequence[_Flow], before_l: Mapping[str, float], after_l: Mapping[str, float]
    ) -> tuple[float, str]:
        gone_l = self._thrown_l(code, before_l.get(code, 0.0))
        worth = gone_l * (self._price_per_l(code) or 0.0)
        words = [f"{gone_l:.1f} L a year of opened {code} outlive their opened life"]
        for new, _, new_l in own:
            less_l = self._thrown_l(new, before_l.get(new, 0.0)) - self._thrown_l(new, after_l.get(new, 0.0))
            grown_l = after_l.get(new, 0.0) - before_l.get(new, 0.0)
            if abs(less_l) < 0.05 or grown_l <= 0:
                continue
            part_l = less_l * new_l / grown_l
            worth += part_l * (self._price_per_l(new) or 0.0)
            words.append(f"{new} then {-part_l:+.1f} L")
        return worth, "; ".join(words)

    def _thrown_l(self, code: str, litres: float) -> float:
        """Litres a year thrown away out of the priced pack, opened one after the other."""
        product = self.products[code]
        pack = self.packs.get(product.pk)
        if pack is None or litres <= 0:
            return 0.0
        return max(0.0, emptying_l_per_year(pack.size_l, product.opened_life_months) - litres)
