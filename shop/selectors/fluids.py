"""What may go into what: requirements, approvals, the one-way replaced-by chain and mixing bans."""

from collections.abc import Collection

from shop.models import Approval, MixingBan, Product, Specification, UnitModel


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
