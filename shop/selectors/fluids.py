"""What may go into what: requirements, approvals, the one-way replaced-by chain and mixing bans."""

from collections.abc import Collection
from dataclasses import dataclass, replace

from intervals.exchange.fluid_kinds import (
    COOLANT,
    STRENGTH_HIGH_SHARE,
    STRENGTH_LOW_SHARE,
    USUAL_STRENGTH_SHARE,
    coolant_density_kg_m3,
    fluid_kind,
)
from shop.models import Approval, MixingBan, Product, Specification, UnitModel

PRODUCT, TABLE, DEFAULT = "product", "glycol table", "default"
STRENGTH_AT_C = 15.0


@dataclass(frozen=True, slots=True)
class ProductFigure:
    """A figure of a product with its unit; source `default` where the product's own is not known."""

    figure: str
    value: float
    measured_in: str
    source: str

    @property
    def is_default(self) -> bool:
        """True when it stands in for the product's own."""
        return self.source == DEFAULT


def product_figures(product: Product) -> tuple[ProductFigure, ...]:
    """Return density and viscosities of a product as it is sold; what is missing is the default of its family."""
    kind = fluid_kind(product.family)
    return (
        _figure(product, "density15_kg_m3", kind.density15_kg_m3, "kg/m³"),
        _figure(product, "kv40_mm2_s", kind.kv40_mm2_s, "mm²/s"),
        _figure(product, "kv100_mm2_s", kind.kv100_mm2_s, "mm²/s"),
    )


def density_in_unit(product: Product, strength_share: float | None = None) -> ProductFigure:
    """Return the density of what is weighed out of or into a unit.

    A coolant in the system is a mix: with its strength known the glycol table gives its density; without, a
    concentrate counts as the usual half and half. Everything else is the product's own or its family's default.

    strength_share: glycol share by volume in the system, 0 to 1, or None.
    """
    own = product_figures(product)[0]
    is_concentrate = product.strength_share is not None and product.strength_share > STRENGTH_HIGH_SHARE
    if product.family != COOLANT or (strength_share is None and not is_concentrate):
        return own
    value = coolant_density_kg_m3(STRENGTH_AT_C, table_strength(strength_share))
    return replace(own, value=value, source=DEFAULT if strength_share is None else TABLE)


def table_strength(strength_share: float | None) -> float:
    """Return where the glycol table is read: at the usual strength if none is known, never beyond its ends."""
    known = USUAL_STRENGTH_SHARE if strength_share is None else strength_share
    return min(STRENGTH_HIGH_SHARE, max(STRENGTH_LOW_SHARE, known))


def _figure(product: Product, name: str, default: float, measured_in: str) -> ProductFigure:
    own = getattr(product, name)
    value, source = (default, DEFAULT) if own is None else (own, PRODUCT)
    return ProductFigure(name, value, measured_in, source)


def specification_and_successors(specification: Specification) -> list[Specification]:
    """Return a specification and everything that replaced it, in order; never what it replaced."""
    chain = [specification]
    while chain[-1].replaced_by is not None and chain[-1].replaced_by not in chain:
        chain.append(chain[-1].replaced_by)
    return chain


def why_not(product: Product, unit_model: UnitModel, *, also_in_it: Collection[Product] = ()) -> str:
    """Return why a product must not go into a unit model, or an empty text when it may.

    also_in_it: products already in the unit that it would meet.
    """
    bans = MixingBan.objects.filter(product=product).select_related("other_product", "unit_model")
    for ban in bans:
        if ban.unit_model_id == unit_model.pk:
            return f"{product.code} must not go into {unit_model.code}: {ban.reason}."
    present = {other.pk: other for other in also_in_it if other.pk != product.pk}
    for ban in MixingBan.objects.filter(other_product__isnull=False).select_related(
        "product", "other_product"
    ):
        pair = {ban.product_id, ban.other_product_id}
        if product.pk in pair and pair & set(present):
            other = present[(pair - {product.pk}).pop()]
            return f"{product.code} must not meet {other.code}: {ban.reason}."
    return _missing_approval(product, unit_model)


def _missing_approval(product: Product, unit_model: UnitModel) -> str:
    approvals = {approval.specification_id: approval for approval in Approval.objects.filter(product=product)}
    for requirement in unit_model.requirements.select_related("specification__replaced_by"):
        chain = specification_and_successors(requirement.specification)
        found = next((approvals[spec.pk] for spec in chain if spec.pk in approvals), None)
        if found is None:
            return f"{product.code} has no approval for {requirement.specification.code}, which {unit_model.code} asks."
        if found.strength == Approval.Strength.CLAIMED and not found.approved_by:
            return (
                f"{product.code} is only claimed suitable for {requirement.specification.code}: "
                "a named person has to approve it first."
            )
    return ""
