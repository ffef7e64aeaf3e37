"""Density and viscosities of a product, and the default of its family where they are not known."""

from dataclasses import dataclass, replace

from intervals.exchange.fluid_kinds import (
    COOLANT,
    STRENGTH_HIGH_SHARE,
    STRENGTH_LOW_SHARE,
    USUAL_STRENGTH_SHARE,
    coolant_density_kg_m3,
    fluid_kind,
)
from shop.models import Product

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
