"""Level on the stick and at the standpipe against temperature.

All the fluid expands, but converter, cooler and passages stay full: the whole growth shows in the sump. The
level measured inside the maker's window ends the job; nothing computed here beats it.
"""

import math
from dataclasses import dataclass

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import UnitCard
from intervals.exchange.fluid_kinds import PETROLEUM_OIL, FluidLaw

PULL_ML = 100.0
PULLS_BEFORE_READING = 2


@dataclass(frozen=True, slots=True)
class StandpipeCheck:
    """Whether a standpipe reading counts, and what it would leave over (+) or short (-) against mid window."""

    is_valid: bool
    error_ml: float
    sentence: str


def growth_ml(total_fill_l: float, from_c: float, to_c: float, law: FluidLaw = PETROLEUM_OIL) -> float:
    """Growth of a unit's whole fill between two temperatures, mL.

    Equation: dV = V / k(to) - V / k(from), k(T) the litres at 20 °C of one litre at T; for oil k = CTL(T)/CTL(20),
    API MPMS 11.1 / ASTM D1250.

    Args:
        total_fill_l: total fill at 20 °C, L.
        from_c, to_c: temperatures, °C.
        law: how the fluid's volume moves with temperature.

    Returns:
        Millilitres; negative when the fluid shrinks.

    Raises:
        QuantityError: a total fill that is not above zero, or values outside what its law holds for.
    """
    if not 0.0 < total_fill_l < math.inf:
        raise QuantityError(f"A total fill of {total_fill_l:g} L is not usable; it must be above zero.")
    return 1000.0 * total_fill_l * (1.0 / law.factor(to_c) - 1.0 / law.factor(from_c))


def stick_offset_mm(temp_c: float, card: UnitCard, law: FluidLaw = PETROLEUM_OIL) -> float:
    """Where a right fill stands on the stick at `temp_c`, in mm from the hot target.

    Args:
        temp_c: fluid temperature, °C.
        card: gives total fill, mL per mm and the temperature of the hot target.
        law: how the fluid's volume moves with temperature.

    Returns:
        Millimetres; negative is below the hot target.

    Raises:
        CardError: no mL per mm or no target temperature on the card.
        QuantityError: a temperature outside what its law holds for.
    """
    ml_per_mm, ref_c = _stick(card)
    return growth_ml(card.total_fill_l, ref_c, temp_c, law) / ml_per_mm


def excess_ml(reading_mm: float, temp_c: float, card: UnitCard, law: FluidLaw = PETROLEUM_OIL) -> float:
    """Fluid too much (+) or too little (-) for a stick reading at a temperature, mL.

    Args:
        reading_mm: median of three wipes, mm from the hot target.
        temp_c, card, law: as `stick_offset_mm`.

    Returns:
        Millilitres.

    Raises:
        CardError, QuantityError: as `stick_offset_mm`, or a missing reading.
    """
    if not math.isfinite(reading_mm):
        raise QuantityError("The stick reading is missing; read it again, the median of three wipes.")
    return (reading_mm - stick_offset_mm(temp_c, card, law)) * _stick(card)[0]


def pulls_needed(excess: float) -> tuple[int, int]:
    """Pulls of 100 mL that take an excess out, and how many to make before the level is read again.

    Args:
        excess: mL too much.

    Returns:
        (pulls in all, pulls before the next reading); zeros when nothing is over.
    """
    pulls = max(0, math.ceil(excess / PULL_ML - 1e-9))
    return pulls, min(pulls, PULLS_BEFORE_READING)


def ml_per_mm_from_removal(removed_ml: float, moved_mm: float) -> float:
    """Stick scale from a known removal.

    Args:
        removed_ml: fluid taken out, mL.
        moved_mm: fall of the reading, mm; both above zero.

    Returns:
        mL per mm.

    Raises:
        QuantityError: one of them is missing, zero or negative.
    """
    if not (0.0 < removed_ml < math.inf and 0.0 < moved_mm < math.inf):
        raise QuantityError(
            "A removal and the fall of the reading must both be above zero to learn the stick's scale."
        )
    return removed_ml / moved_mm


def tilt_error_mm(tilt_deg: float, offset_mm: float) -> float:
    """Error of a level read `offset_mm` away from the middle of a sump that stands `tilt_deg` off level, mm.

    Equation: offset tan(tilt). Raises QuantityError for a tilt of 45° and more.
    """
    if not abs(tilt_deg) < 45.0:
        raise QuantityError(f"A tilt of {tilt_deg:g}° is not a workshop floor; measure again.")
    return offset_mm * math.tan(math.radians(tilt_deg))


def standpipe_check(
    temp_c: float, low_c: float, high_c: float, total_fill_l: float, law: FluidLaw = PETROLEUM_OIL
) -> StandpipeCheck:
    """A standpipe level counts only inside its temperature window.

    Fluid that is too hot stands high, runs off and leaves the unit short once it cools; too cold leaves it
    overfull.

    Args:
        temp_c: fluid temperature when it ran off, °C.
        low_c, high_c: the maker's window, °C.
        total_fill_l: total fill at 20 °C, L.
        law: how the fluid's volume moves with temperature.

    Returns:
        The check; the error is in mL at the middle of the window, where the level should have been set.

    Raises:
        QuantityError: a window upside down, or values outside what its law holds for.
    """
    if not low_c <= high_c:
        raise QuantityError(
            f"The window {low_c:g} to {high_c:g} °C is upside down; give the lower temperature first."
        )
    right_c = 0.5 * (low_c + high_c)
    run_off_ml = growth_ml(total_fill_l, right_c, temp_c, law)
    error_ml = -run_off_ml * law.factor(temp_c) / law.factor(right_c)
    if low_c <= temp_c <= high_c:
        return StandpipeCheck(
            True, error_ml, f"{temp_c:g} °C lies in the window of {low_c:g} to {high_c:g} °C."
        )
    side = "short" if error_ml < 0.0 else "over"
    return StandpipeCheck(
        False,
        error_ml,
        f"Void: {temp_c:g} °C is outside {low_c:g} to {high_c:g} °C, the unit would be about "
        f"{abs(error_ml):.0f} mL "
        f"{side}; repeat the check inside the window.",
    )


def _stick(card: UnitCard) -> tuple[float, float]:
    if card.ml_per_mm is None or card.stick_ref_c is None:
        raise CardError("The unit card does not give mL per mm and the temperature of the stick's target.")
    return card.ml_per_mm, card.stick_ref_c
