"""Litres of a finished job brought to 20 °C, and the fresh share they left."""

from dataclasses import dataclass
from typing import Protocol

from intervals.errors import QuantityError
from intervals.exchange.done import share_of_done
from shop.models import Product, Unit
from shop.selectors.exchange import card_from, figures_in_force
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.fluids import density_in_unit
from shop.selectors.job_litres import litres_at_card

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
    product_in_l: float | None
    strength_found_share: float | None
    strength_left_share: float | None


@dataclass(frozen=True, slots=True)
class Volumes:
    """Litres at 20 °C that went in and came out, and the fresh share after the job with its basis.

    product_l: litres off the shelf; less than went in where a concentrate was thinned with water.
    is_uneven: more went in than came out, or less, by more than an arrival level explains.
    """

    product: Product
    new_fluid_l: float
    product_l: float
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
    figures = figures_in_force([unit])[unit.pk]
    card = card_from(unit.unit_model, figures)
    new_l = litres_at_card(
        product, _true_l(report.in_l, in_factor), report.in_kg, report.in_temp_c, report.strength_left_share
    )
    waste_l = litres_at_card(
        product,
        _true_l(report.out_l, out_factor),
        report.out_kg,
        report.out_temp_c,
        report.strength_found_share,
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
    basis = done.basis + _density_note(product, report)
    product_l = report.product_in_l
    if product_l is None:
        product_l = new_l * part_of_product(product, figures)
    return Volumes(product, new_l, product_l, waste_l, done.share, basis, abs(new_l - waste_l) > band_l)


def _true_l(read_l: float | None, factor: float) -> float | None:
    return None if read_l is None else read_l * factor


def _density_note(product: Product, report: Measured) -> str:
    """Say that a weight was turned into litres by a default density."""
    for kilograms, strength in (
        (report.out_kg, report.strength_found_share),
        (report.in_kg, report.strength_left_share),
    ):
        if kilograms is not None and (density := density_in_unit(product, strength)).is_default:
            return f"; weighed, density {density.value:.0f} kg/m³ default"
    return ""
