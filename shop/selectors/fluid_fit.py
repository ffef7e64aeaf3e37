"""Which products may go into which unit models, how strongly each is approved, and what each rests on."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from shop.models import Approval, Specification
from shop.selectors.may_go_in import FluidRules

STRENGTHS = ("approved", "house", "claimed")
"""The strengths of an approval, the strongest first."""

STRENGTH_WORDS = {
    "approved": "approved",
    "house": "approved by this house",
    "claimed": "claimed suitable by the seller",
}


@dataclass(frozen=True, slots=True)
class Basis:
    """What one approval rests on.

    asks: the specification the unit asks for. by: the one the product is approved for, the same or a successor.
    """

    asks: str
    by: str
    strength: str
    approved_by: str
    approved_on: date | None
    reason: str

    @property
    def words(self) -> str:
        """Say it in words."""
        told = f"{STRENGTH_WORDS[self.strength]} for {self.by}"
        if self.by != self.asks:
            told += f", which replaces {self.asks}"
        if self.approved_by:
            told += f", by {self.approved_by}"
        told += f", dated {self.approved_on}" if self.approved_on else ", no date on record"
        return f"{told} ({self.reason})" if self.reason else told


@dataclass(frozen=True, slots=True)
class Fit:
    """A product that meets all a unit model asks; strength: that of its weakest approval."""

    product_pk: int
    strength: str
    bases: tuple[Basis, ...]

    def is_as_strong_as(self, weakest: str) -> bool:
        """Say whether it is no weaker than a strength."""
        return STRENGTHS.index(self.strength) <= STRENGTHS.index(weakest)


class FitBook:
    """Every requirement, approval and ban, read once.

    Judges as `why_not` does for one product and one unit model, except that a product merely claimed suitable is
    kept with its strength for the reader to accept or not.
    """

    def __init__(self) -> None:
        """Read the tables."""
        self._rules = FluidRules.read()

    def asks_nothing(self, model_pk: int) -> bool:
        """Say whether no specification is on record for a unit model."""
        return model_pk not in self._rules.required

    def ban_in(self, product_pk: int, model_pk: int) -> str:
        """Return why a product must never go into a unit model; empty when no ban is on record."""
        return self._rules.never_into.get((product_pk, model_pk), "")

    def ban_between(self, product_pk: int, other_pk: int | None) -> str:
        """Return why two products must never meet; empty when no ban is on record."""
        return "" if other_pk is None else self._rules.never_with.get(frozenset((product_pk, other_pk)), "")

    def fit(self, product_pk: int, model_pk: int) -> Fit | None:
        """Return how a product fits a unit model; None when it is banned or meets not all that is asked.

        A unit model that asks for nothing on record fits nothing: nobody can say what may go in.
        """
        if self.asks_nothing(model_pk) or self.ban_in(product_pk, model_pk):
            return None
        bases = []
        for asked_pk in self._rules.required[model_pk]:
            found = self._rules.approval_for(product_pk, asked_pk)
            if found is None:
                return None
            bases.append(_basis(self._rules.specifications[asked_pk], found, self._rules))
        weakest = max((basis.strength for basis in bases), key=STRENGTHS.index)
        return Fit(product_pk, weakest, tuple(bases))

    def fits(self, model_pk: int, product_pks: Collection[int]) -> list[Fit]:
        """Return every product of those given that fits a unit model."""
        found = (self.fit(product_pk, model_pk) for product_pk in product_pks)
        return [fit for fit in found if fit is not None]


def _basis(asked: Specification, approval: Approval, rules: FluidRules) -> Basis:
    """A claim that a named person of the house has taken on counts as the house's approval."""
    is_taken_on = approval.strength == Approval.Strength.CLAIMED and approval.approved_by
    return Basis(
        asked.code,
        rules.specifications[approval.specification_id].code,
        "house" if is_taken_on else str(approval.strength),
        approval.approved_by,
        approval.approved_on,
        approval.reason,
    )
