"""Litres of a finished job brought to 20 °C, and the fresh share they left."""

from dataclasses import dataclass
from typing import Protocol

from intervals.errors import QuantityError
from intervals.exchange import litres_from_kg
from intervals.exchange.done import share_of_done
from intervals.exchange.fluid_kinds import litres_at_base
from shop.models import Product, Unit
from shop.selectors.exchange import card_from, figures_in_force

WEIGHED_AT_C = 15.0
"""A weight divided by the density at 15 °C gives litres at that temperature."""

UNEVEN_LEAST_L, UNEVEN_SHARE = 0.5, 0.10
"""In and out may differ by this much, or this share of the fill, without a word. House default."""


class Measured(Protocol):
    """The measurements of a job report."""

    method: str
    out_l: float | None
    out_kg: float | None
    out_temp_c: float | None
    in_l: float | None
    in_kg: float | None
    in_temp_c: float | None


@dataclass(frozen=True, slots=True)
class Volumes:
    """Litres at 20 °C that went in and came out, and the fresh share after the job with its basis.

    is_uneven: more went in than came out, or less, by more than an arrival level explains.
    """

    product: Product
    new_fluid_l: float
    waste_l: float
    share: float
    basis: str
    is_uneven: bool


def measure(
    unit: Unit, product: Product, report: Measured, out_factor: float = 1.0, in_factor: float = 1.0
) -> Volumes:
    """Bring the litres of a report to 20 °C and work out the fresh share.

    Litres without a temperature are taken as read. out_factor, in_factor: litres one litre read in the tray or jug
    really is. Raises a HatchmarkError with one sentence when they cannot be.
    """
    card = card_from(unit.unit_model, figures_in_force([unit])[unit.pk])
    new_l = _at_card_temperature(product, _true_l(report.in_l, in_factor), report.in_kg, report.in_temp_c)
    waste_l = _at_card_temperature(
        product, _true_l(report.out_l, out_factor), report.out_kg, report.out_temp_c
    )
    limit_l = 3.0 * card.total_fill_l
    for litres, word in ((new_l, "went in"), (waste_l, "came out")):
        if litres > limit_l:
            raise QuantityError(
                f"{litres:.1f} L {word}, but the unit holds {card.total_fill_l:g} L: check figure and decimal point."
            )
    # What was only topped up has pushed nothing old out.
    done = share_of_done(card, report.method, min(new_l, waste_l))
    band_l = max(UNEVEN_LEAST_L, UNEVEN_SHARE * card.total_fill_l)
    return Volumes(product, new_l, waste_l, done.share, done.basis, abs(new_l - waste_l) > band_l)


def _true_l(read_l: float | None, factor: float) -> float | None:
    return None if read_l is None else read_l * factor


def _at_card_temperature(
    product: Product, litres: float | None, kilograms: float | None, temp_c: float | None
) -> float:
    density = product.density15_kg_m3
    if kilograms is not None:
        if density is None:
            raise QuantityError(
                f"Weighed, but {product.code} has no density; type it in from its data sheet, or litres."
            )
        litres, temp_c = litres_from_kg(kilograms, density), WEIGHED_AT_C
    if litres is None:
        raise QuantityError("Neither litres nor kilograms are given; write one of them.")
    if temp_c is None:
        return litres
    return litres_at_base(product.family, litres, temp_c, density_kg_m3=density)
