"""Litres of a finished job at 20 °C, for each kind of fluid."""

from dataclasses import dataclass

import pytest
from CoolProp.CoolProp import PropsSI

from intervals.errors import QuantityError
from shop.models import Product, Unit
from shop.services.job_volumes import measure


@dataclass(frozen=True)
class Report:
    method: str = "drain-and-refill"
    out_l: float | None = None
    out_kg: float | None = None
    out_temp_c: float | None = None
    in_l: float | None = 3.5
    in_kg: float | None = None
    in_temp_c: float | None = None
    product_in_l: float | None = None
    strength_found_share: float | None = None
    strength_left_share: float | None = None


def measured(family, density=None, strength=None, **report):
    product = Product(code="F99", family=family, density15_kg_m3=density, strength_share=strength)
    return measure(Unit.objects.get(code="K01-TB6"), product, Report(**report))


# Reference calculation: 4.00 L of oil at 70 °C are 3.850 L at 20 °C.
def test_hot_oil_follows_the_petroleum_standard(fleet):
    assert measured(Product.Family.OIL, out_l=4.0, out_temp_c=70.0).waste_l == pytest.approx(3.850, abs=5e-4)


# Reference library: CoolProp, ethylene glycol and water half and half by volume.
def test_hot_coolant_follows_the_glycol_table(fleet):
    hot, cold = (PropsSI("D", "T", t + 273.15, "P", 5e5, "INCOMP::AEG[0.5]") for t in (80.0, 20.0))
    got = measured(Product.Family.COOLANT, out_l=4.0, out_temp_c=80.0)
    assert got.waste_l == pytest.approx(4.0 * hot / cold, abs=1e-3)


# From memory: brake fluid grows by 0.0008 to 0.0010 per °C.
def test_hot_brake_fluid_is_corrected_too(fleet):
    got = measured(Product.Family.BRAKE_FLUID, out_l=1.0, out_temp_c=60.0)
    assert 1.0 / 1.040 <= got.waste_l <= 1.0 / 1.032


# A weight over the density at 15 °C gives litres at 15 °C; coolant then grows by about 0.04 % per °C (ASHRAE table).
def test_weighed_coolant_needs_no_temperature(fleet):
    got = measured(Product.Family.COOLANT, 1075.0, out_kg=4.3)
    assert got.waste_l == pytest.approx(4.0 * 1.002, abs=0.003)


# Reference library: CoolProp; a concentrate's own density says nothing about the mix that was weighed.
@pytest.mark.parametrize("strength", [0.3, 0.5])
def test_weighed_coolant_counts_with_the_density_of_its_strength(fleet, strength):
    at15, at20 = (PropsSI("D", "T", t + 273.15, "P", 5e5, f"INCOMP::AEG[{strength}]") for t in (15.0, 20.0))
    got = measured(Product.Family.COOLANT, 1113.0, 1.0, out_kg=4.3, strength_found_share=strength)
    assert got.waste_l == pytest.approx(4300.0 / at15 * at15 / at20, rel=0.002)
    assert "default" not in got.basis


# Usual density of new brake fluid, 1.05 to 1.10 kg/L at 20 °C, and of oil, 0.83 to 0.87 (data sheets, from memory).
@pytest.mark.parametrize(
    ("family", "low_l", "high_l"),
    [
        (Product.Family.BRAKE_FLUID, 1 / 1.10, 1 / 1.05),
        (Product.Family.OIL, 1 / 0.88, 1 / 0.83),
        (Product.Family.COOLANT, 1 / 1.09, 1 / 1.05),
    ],
)
def test_a_missing_density_is_the_default_of_the_family_and_says_so(fleet, family, low_l, high_l):
    got = measured(family, out_kg=1.0)
    assert low_l <= got.waste_l <= high_l
    assert "density" in got.basis
    assert got.basis.endswith("default")
    assert "default" not in measured(family, 1000.0, out_kg=1.0).basis


def test_plain_water_in_a_cooling_system_is_counted_at_the_end_of_the_table(fleet):
    got = measured(Product.Family.COOLANT, out_l=4.0, out_temp_c=60.0, strength_found_share=0.0)
    # Water shrinks by 1.5 % from 60 to 20 °C (steam tables, from memory); 20 % glycol by a little more.
    assert got.waste_l == pytest.approx(4.0 * (1 - 0.016), abs=0.02)


def test_what_cannot_be_brought_to_20_degrees_says_why(fleet):
    with pytest.raises(QuantityError, match="outside -30 to 115"):
        measured(Product.Family.COOLANT, out_l=4.0, out_temp_c=700.0)
    with pytest.raises(QuantityError, match="not usable"):
        measured(Product.Family.OIL, out_l=-4.0, out_temp_c=20.0)
    with pytest.raises(QuantityError, match="Neither litres nor kilograms"):
        measured(Product.Family.OIL)
