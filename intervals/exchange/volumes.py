"""Oil volume against temperature, and litres from weight.

Lubricating oils follow API MPMS chapter 11.1 / ASTM D1250 (tables 23D/24D, base 60 °F). Glycol coolants and
brake
fluids do not: their volumes need their own tables.
"""

import math

from intervals.errors import QuantityError

DEFAULT_DENSITY_KG_M3 = 850.0
DEFAULT_DENSITY_SPREAD_KG_M3 = 20.0

_K1_PER_F = 0.34878
_DENSITY_LOW_KG_M3, _DENSITY_HIGH_KG_M3 = 800.9, 1163.5
_TEMP_LOW_C, _TEMP_HIGH_C = -50.0, 150.0


def ctl_lubricating_oil(temp_c: float, density_60f_kg_m3: float = DEFAULT_DENSITY_KG_M3) -> float:
    """Volume at 60 °F of one litre of lubricating oil measured at `temp_c`.

    Equation: a = 0.34878 / rho60; dT = T_F - 60; CTL = exp(-a dT (1 + 0.8 a dT)).
    Source: API MPMS 11.1 / ASTM D1250, lubricating oils.

    Args:
        temp_c: oil temperature, °C, -50 to 150.
        density_60f_kg_m3: density at 60 °F, kg/m³, 800.9 to 1163.5.

    Returns:
        The factor; above 1 for oil colder than 60 °F.

    Raises:
        QuantityError: temperature or density missing or outside the range the standard covers.
    """
    if not _TEMP_LOW_C <= temp_c <= _TEMP_HIGH_C:
        raise QuantityError(
            f"An oil temperature of {temp_c:g} °C is outside {_TEMP_LOW_C:g} to {_TEMP_HIGH_C:g} °C, the "
            f"range of the "
            "volume standard; measure again or check the unit."
        )
    if not _DENSITY_LOW_KG_M3 <= density_60f_kg_m3 <= _DENSITY_HIGH_KG_M3:
        raise QuantityError(
            f"A density of {density_60f_kg_m3:g} kg/m³ is outside {_DENSITY_LOW_KG_M3} to "
            f"{_DENSITY_HIGH_KG_M3}, the "
            "range for lubricating oils; take it from the data sheet in kg/m³."
        )
    expansion = _K1_PER_F / density_60f_kg_m3 * (1.8 * temp_c + 32.0 - 60.0)
    return math.exp(-expansion * (1.0 + 0.8 * expansion))


def volume_at(volume_l: float, from_c: float, to_c: float, density: float = DEFAULT_DENSITY_KG_M3) -> float:
    """Volume at another temperature of oil measured at `from_c`.

    Equation: V2 = V1 CTL(T1) / CTL(T2). Source: API MPMS 11.1 / ASTM D1250.

    Args:
        volume_l: volume read, L, not below zero.
        from_c: temperature at which it was read, °C.
        to_c: temperature wanted, °C.
        density: density at 60 °F, kg/m³.

    Returns:
        Litres at `to_c`.

    Raises:
        QuantityError: a missing or negative volume, or a value outside the standard.
    """
    if not 0.0 <= volume_l < math.inf:
        raise QuantityError(f"A volume of {volume_l:g} L is not usable; give litres, zero or more.")
    return volume_l * ctl_lubricating_oil(from_c, density) / ctl_lubricating_oil(to_c, density)


def litres_from_kg(kg: float, density15_kg_m3: float) -> float:
    """Litres at 15 °C of oil that was weighed; needs no temperature, so weighing is preferred to reading a
    jug.

    Equation: L = 1000 kg / rho15. Source: definition of density.

    Args:
        kg: net weight, kg, not below zero.
        density15_kg_m3: density at 15 °C, kg/m³, 700 to 1300.

    Returns:
        Litres at 15 °C.

    Raises:
        QuantityError: weight missing or negative, or a density that cannot be kg/m³.
    """
    if not 0.0 <= kg < math.inf:
        raise QuantityError(f"A weight of {kg:g} kg is not usable; give the net weight, zero or more.")
    if not 700.0 <= density15_kg_m3 <= 1300.0:
        raise QuantityError(
            f"A density of {density15_kg_m3:g} kg/m³ is not a workshop fluid (700 to 1300); check the unit."
        )
    return 1000.0 * kg / density15_kg_m3
