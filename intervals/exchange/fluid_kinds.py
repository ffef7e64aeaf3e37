"""Kinds of fluid: how the volume of each moves with temperature, and its typical density and viscosity.

Lubricating oil follows the petroleum standard (`volumes`). Water-glycol coolant and brake fluid do not, so
each has its own law with the range it holds in. Typical figures stand in until a product's own are typed in
from its data sheet.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from intervals.errors import QuantityError
from intervals.exchange.volumes import volume_at

OIL = "lubricating oil"
COOLANT = "coolant"
BRAKE_FLUID = "brake fluid"

BASE_C = 20.0
TYPICAL = "typical"

USUAL_STRENGTH_SHARE = 0.5
STRENGTH_LOW_SHARE, STRENGTH_HIGH_SHARE = 0.2, 0.7

# kg/m³ for s = glycol share by volume - 0.5 and u = (°C - 20) / 100: 1, s, s², u, u s, u².
_COOLANT_TERMS = (1074.67, 133.31, -41.66, -43.71, -30.96, -24.39)

BRAKE_GROWTH_PER_C = 0.0009
BRAKE_GROWTH_LIMIT_PER_C = 0.00015


@dataclass(frozen=True, slots=True)
class FluidKind:
    """Typical figures of one kind of fluid, used where a product has none of its own.

    Attributes:
        name: lubricating oil, coolant or brake fluid.
        density15_kg_m3, density_limit_kg_m3: density at 15 °C and how far products differ from it.
        kv40_mm2_s, kv100_mm2_s: kinematic viscosity at 40 and 100 °C.
        temp_low_c, temp_high_c: range in which the volume law of the kind holds, liquid.
        volume_source: where the volume law comes from.
        source: always 'typical'; a maker's or data sheet figure goes first.
    """

    name: str
    density15_kg_m3: float
    density_limit_kg_m3: float
    kv40_mm2_s: float
    kv100_mm2_s: float
    temp_low_c: float
    temp_high_c: float
    volume_source: str
    source: str = TYPICAL


FLUID_KINDS: Mapping[str, FluidKind] = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            FluidKind(
                OIL, 850.0, 20.0, 34.0, 7.2, -50.0, 150.0, "API MPMS 11.1 / ASTM D1250, lubricating oils"
            ),
            FluidKind(
                COOLANT, 1076.8, 15.0, 2.1, 0.67, -30.0, 115.0,
                "fitted to the density table of aqueous ethylene glycol, ASHRAE Handbook Fundamentals",
            ),
            FluidKind(
                BRAKE_FLUID, 1080.0, 25.0, 9.1, 2.5, -40.0, 150.0,
                "one coefficient for glycol-ether fluids, from memory, ± 0.00015 per °C",
            ),
        )
    }
)  # fmt: skip
"""Oil: a light automatic-transmission fluid, common practice, no source. Coolant: ethylene glycol, 50 % by
volume. Brake fluid: density and viscosity after a data sheet of a DOT 4 fluid (1050 to 1100 kg/m³ at 20 °C,
1200 mm²/s at -40 °C, 2.5 mm²/s at 100 °C)."""


@dataclass(frozen=True, slots=True)
class BrakeFluidGrade:
    """Least boiling points and viscosity limits a new brake fluid of a grade must meet.

    Brake fluid is judged by its boiling point, not by the share that is new. Source: FMVSS 116
    (49 CFR 571.116), S5.1.1 to S5.1.3; 'wet' is after taking up 3.70 % of water by weight in the
    standard's humidity test.

    Attributes:
        grade: DOT grade.
        dry_boiling_least_c, wet_boiling_least_c: equilibrium reflux boiling point, °C.
        kv_minus40_most_mm2_s, kv100_least_mm2_s: kinematic viscosity at -40 and 100 °C, mm²/s.
        is_silicone: never mixed with a glycol fluid.
    """

    grade: str
    dry_boiling_least_c: float
    wet_boiling_least_c: float
    kv_minus40_most_mm2_s: float
    kv100_least_mm2_s: float = 1.5
    is_silicone: bool = False


WET_WATER_SHARE_BY_WEIGHT = 0.0370

BRAKE_FLUID_GRADES: Mapping[str, BrakeFluidGrade] = MappingProxyType(
    {
        row.grade: row
        for row in (
            BrakeFluidGrade("DOT 3", 205.0, 140.0, 1500.0),
            BrakeFluidGrade("DOT 4", 230.0, 155.0, 1800.0),
            BrakeFluidGrade("DOT 5", 260.0, 180.0, 900.0, is_silicone=True),
            BrakeFluidGrade("DOT 5.1", 260.0, 180.0, 900.0),
        )
    }
)


def fluid_kind(name: str) -> FluidKind:
    """Typical figures of a kind of fluid. Raises QuantityError for a kind that is not known."""
    if name not in FLUID_KINDS:
        raise QuantityError(f"“{name}” is no kind of fluid; allowed are {', '.join(FLUID_KINDS)}.")
    return FLUID_KINDS[name]


def coolant_density_kg_m3(temp_c: float, strength_share: float = USUAL_STRENGTH_SHARE) -> float:
    """Density of ethylene glycol and water.

    Equation: rho = a0 + a1 s + a2 s² + a3 u + a4 u s + a5 u², s = share - 0.5, u = (T - 20)/100; within
    0.25 kg/m³ of 91 table values. Source: own fit to ASHRAE Handbook Fundamentals, density of aqueous
    solutions of ethylene glycol. Additives of a finished coolant shift the density, hardly its growth.

    Args:
        temp_c: temperature, °C, -30 to 115, and above freezing.
        strength_share: glycol share by volume at room temperature, 0.2 to 0.7.

    Returns:
        Density, kg/m³.

    Raises:
        QuantityError: temperature or strength missing or outside the table.
    """
    _check_temperature(FLUID_KINDS[COOLANT], temp_c)
    if not STRENGTH_LOW_SHARE <= strength_share <= STRENGTH_HIGH_SHARE:
        raise QuantityError(
            f"A coolant strength of {100 * strength_share:g} % is outside {100 * STRENGTH_LOW_SHARE:g} to "
            f"{100 * STRENGTH_HIGH_SHARE:g} % glycol by volume, the range of the density table; measure again."
        )
    s, u = strength_share - 0.5, (temp_c - BASE_C) / 100.0
    a0, a1, a2, a3, a4, a5 = _COOLANT_TERMS
    return a0 + s * (a1 + a2 * s) + u * (a3 + a4 * s + a5 * u)


def volume_factor(
    kind: str, temp_c: float, strength_share: float | None = None, density_kg_m3: float | None = None
) -> float:
    """Volume at 20 °C of one litre measured at `temp_c`.

    Equations: oil CTL(T)/CTL(20) (API MPMS 11.1 / ASTM D1250); coolant rho(T)/rho(20) (see
    `coolant_density_kg_m3`); brake fluid 1/(1 + beta (T - 20)).

    Args:
        kind: lubricating oil, coolant or brake fluid.
        temp_c: temperature of the fluid when it was measured, °C.
        strength_share: coolant only: glycol share by volume; None takes 0.5 (typical).
        density_kg_m3: oil only: density at 60 °F or 15 °C, kg/m³; None takes 850 (typical).

    Returns:
        The factor; below 1 for fluid warmer than 20 °C.

    Raises:
        QuantityError: an unknown kind, or figures outside the range of its law.
    """
    figures = fluid_kind(kind)
    if kind == OIL:
        density = figures.density15_kg_m3 if density_kg_m3 is None else density_kg_m3
        return volume_at(1.0, temp_c, BASE_C, density)
    if kind == COOLANT:
        strength = USUAL_STRENGTH_SHARE if strength_share is None else strength_share
        return coolant_density_kg_m3(temp_c, strength) / coolant_density_kg_m3(BASE_C, strength)
    _check_temperature(figures, temp_c)
    return 1.0 / (1.0 + BRAKE_GROWTH_PER_C * (temp_c - BASE_C))


@dataclass(frozen=True, slots=True)
class FluidLaw:
    """How the volume of one fluid moves with temperature.

    Attributes:
        kind: lubricating oil, coolant or brake fluid.
        density_kg_m3: oil only; None takes the typical one.
        strength_share: coolant only: glycol share by volume; None takes the usual one.
    """

    kind: str = OIL
    density_kg_m3: float | None = None
    strength_share: float | None = None

    def factor(self, temp_c: float) -> float:
        """Volume at 20 °C of one litre measured at `temp_c`; raises as `volume_factor`."""
        return volume_factor(self.kind, temp_c, self.strength_share, self.density_kg_m3)

    def moved_l(self, litres: float, from_c: float, to_c: float) -> float:
        """Litres at `to_c` of litres measured at `from_c`; raises as `volume_factor`, and for a negative volume."""
        if not 0.0 <= litres < math.inf:
            raise QuantityError(f"A volume of {litres:g} L is not usable; give litres, zero or more.")
        return litres * self.factor(from_c) / self.factor(to_c)


PETROLEUM_OIL = FluidLaw()


def litres_at_base(
    kind: str,
    litres: float,
    temp_c: float,
    strength_share: float | None = None,
    density_kg_m3: float | None = None,
) -> float:
    """Litres at 20 °C of `litres` measured at `temp_c`; other arguments as `volume_factor`.

    Raises:
        QuantityError: a missing or negative volume, or as `volume_factor`.
    """
    if not 0.0 <= litres < math.inf:
        raise QuantityError(f"A volume of {litres:g} L is not usable; give litres, zero or more.")
    return litres * volume_factor(kind, temp_c, strength_share, density_kg_m3)


def _check_temperature(kind: FluidKind, temp_c: float) -> None:
    if not kind.temp_low_c <= temp_c <= kind.temp_high_c:
        raise QuantityError(
            f"A {kind.name} temperature of {temp_c:g} °C is outside {kind.temp_low_c:g} to "
            f"{kind.temp_high_c:g} °C, the range its volume is known for; measure again or check the unit."
        )
