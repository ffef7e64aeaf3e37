"""What may go into what: mixing bans, requirements, approvals in three strengths, the one-way replaced-by chain."""

from collections import defaultdict
from dataclasses import dataclass

from shop.models import Approval, LastService, MixingBan, Product, Requirement, Specification, Unit, UnitModel

RINSE_FIRST = "Drain, rinse and refill as the maker says; then watch it."


@dataclass(frozen=True, slots=True)
class FluidRules:
    """Every ban and approval there is, read once, so that many fluids can be judged without further queries."""

    never_into: dict[tuple[int, int], str]
    never_with: dict[frozenset[int], str]
    approvals: dict[tuple[int, int], Approval]
    required: dict[int, list[int]]
    specifications: dict[int, Specification]

    @classmethod
    def read(cls) -> "FluidRules":
        """Read them."""
        never_into, never_with = {}, {}
        for ban in MixingBan.objects.all():
            if ban.unit_model_id is not None:
                never_into[ban.product_id, ban.unit_model_id] = ban.reason
            else:
                never_with[frozenset((ban.product_id, ban.other_product_id))] = ban.reason
        required = defaultdict(list)
        for model_pk, specification_pk in Requirement.objects.order_by("pk").values_list(
            "unit_model", "specification"
        ):
            required[model_pk].append(specification_pk)
        return cls(
            never_into,
            never_with,
            {(own.product_id, own.specification_id): own for own in Approval.objects.all()},
            required,
            Specification.objects.in_bulk(),
        )

    def why_not(self, product: Product, unit_model: UnitModel) -> str:
        """Return why a product must not go into a unit model, or an empty text when it may."""
        reason = self.never_into.get((product.pk, unit_model.pk))
        if reason:
            return f"{product.code} must not go into {unit_model.code}: {reason}."
        for specification_pk in self.required.get(unit_model.pk, ()):
            reason = self._not_approved(product, specification_pk, unit_model)
            if reason:
                return reason
        return ""

    def why_rinse(self, product: Product, unit_model: UnitModel, held: Product | None) -> str:
        """Return why a product must not go on top of what a unit holds, or an empty text when it may.

        held: the product in the unit; None when nobody knows, and then nothing can be said against it.
        """
        if held is None or held.pk == product.pk:
            return ""
        reason = self.never_with.get(frozenset((product.pk, held.pk)))
        if reason:
            return f"{product.code} must not meet {held.code}, which is in it: {reason}."
        reason = self.never_into.get((held.pk, unit_model.pk))
        if reason:
            return f"{held.code} is in it and must not go into {unit_model.code}: {reason}."
        return ""

    def why_rinse_unit(self, unit: Unit) -> str:
        """Return why its house fluid must not go on top of what a unit holds, with what to do; empty when it may."""
        product = unit.unit_model.product
        if product is None:
            return ""
        reason = self.why_rinse(product, unit.unit_model, products_in([unit]).get(unit.pk))
        return f"{reason} {RINSE_FIRST}" if reason else ""

    def approval_for(self, product_pk: int, specification_pk: int) -> Approval | None:
        """Return a product's approval for a specification, or for the first that replaced it; None without one."""
        found = (self.approvals.get((product_pk, own)) for own in self._chain(specification_pk))
        return next((own for own in found if own is not None), None)

    def _chain(self, specification_pk: int) -> list[int]:
        """Return a specification and everything that replaced it, in order; never what it replaced."""
        chain = [specification_pk]
        while (later := self.specifications[chain[-1]].replaced_by_id) is not None and later not in chain:
            chain.append(later)
        return chain

    def _not_approved(self, product: Product, specification_pk: int, unit_model: UnitModel) -> str:
        asked, approval = (
            self.specifications[specification_pk].code,
            self.approval_for(product.pk, specification_pk),
        )
        if approval is None:
            return f"{product.code} has no approval for {asked}, which {unit_model.code} asks."
        if approval.strength == Approval.Strength.CLAIMED and not approval.approved_by:
            return f"{product.code} is only claimed suitable for {asked}: a named person has to approve it first."
        return ""


def why_not(product: Product, unit_model: UnitModel) -> str:
    """Return why a product must not go into a unit model, or an empty text when it may."""
    return FluidRules.read().why_not(product, unit_model)


def products_in(units: list[Unit]) -> dict[int, Product | None]:
    """Return unit → the product of its last fluid job, for the units that had one on record."""
    last = LastService.objects.filter(unit__in=units, subject="fluid").select_related("product")
    return {own.unit_id: own.product for own in last}


def why_rinse(unit: Unit) -> str:
    """Return why its house fluid must not go on top of what a unit holds, with what to do; empty when it may."""
    return FluidRules.read().why_rinse_unit(unit)
