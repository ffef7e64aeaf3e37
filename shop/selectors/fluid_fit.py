"""Which products may go into which unit models, how strongly each is approved, and what each rests on."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from shop.models import Approval, MixingBan, Requirement, Specification
from shop.selectors.fluids import specification_and_successors

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
        specifications = {own.pk: own for own in Specification.objects.all()}
        for own in specifications.values():
            own.replaced_by = specifications.get(own.replaced_by_id)
        self._chains = {pk: specification_and_successors(own) for pk, own in specifications.items()}
        self._approvals: dict[int, dict[int, Approval]] = {}
        for approval in Approval.objects.all():
            self._approvals.setdefault(approval.product_id, {})[approval.specification_id] = approval
        self._asked: dict[int, list[int]] = {}
        for model_pk, specification_pk in Requirement.objects.order_by("pk").values_list(
            "unit_model", "specification"
        ):
            self._asked.setdefault(model_pk, []).append(specification_pk)
        self._never_in: dict[tuple[int, int], str] = {}
        self._never_with: dict[frozenset[int], str] = {}
        for ban in MixingBan.objects.all():
            if ban.unit_model_id is not None:
                self._never_in[ban.product_id, ban.unit_model_id] = ban.reason
            else:
                self._never_with[frozenset((ban.product_id, ban.other_product_id))] = ban.reason

    def asks_nothing(self, model_pk: int) -> bool:
        """Say whether no specification is on record for a unit model."""
        return model_pk not in self._asked

    def ban_in(self, product_pk: int, model_pk: int) -> str:
        """Return why a product must never go into a unit model; empty when no ban is on record."""
        return self._never_in.get((product_pk, model_pk), "")

    def ban_between(self, product_pk: int, other_pk: int | None) -> str:
        """Return why two products must never meet; empty when no ban is on record."""
        return "" if other_pk is None else self._never_with.get(frozenset((product_pk, other_pk)), "")

    def fit(self, product_pk: int, model_pk: int) -> Fit | None:
        """Return how a product fits a unit model; None when it is banned or meets not all that is asked.

        A unit model that asks for nothing on record fits nothing: nobody can say what may go in.
        """
        if self.asks_nothing(model_pk) or self.ban_in(product_pk, model_pk):
            return None
        own = self._approvals.get(product_pk, {})
        bases = []
        for asked_pk in self._asked[model_pk]:
            chain = self._chains[asked_pk]
            found = next((spec for spec in chain if spec.pk in own), None)
            if found is None:
                return None
            bases.append(_basis(chain[0], found, own[found.pk]))
        weakest = max((basis.strength for basis in bases), key=STRENGTHS.index)
        return Fit(product_pk, weakest, tuple(bases))

    def fits(self, model_pk: int, product_pks: Collection[int]) -> list[Fit]:
        """Return every product of those given that fits a unit model."""
        found = (self.fit(product_pk, model_pk) for product_pk in product_pks)
        return [fit for fit in found if fit is not None]


def _basis(asked: Specification, found: Specification, approval: Approval) -> Basis:
    """A claim that a named person of the house has taken on counts as the house's approval."""
    is_taken_on = approval.strength == Approval.Strength.CLAIMED and approval.approved_by
    return Basis(
        asked.code,
        found.code,
        "house" if is_taken_on else str(approval.strength),
        approval.approved_by,
        approval.approved_on,
        approval.reason,
    )
