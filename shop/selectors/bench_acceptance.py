"""Whether a level read on the bench may be accepted although its stick is only so good."""

import math
from dataclasses import dataclass

from intervals.errors import HatchmarkError
from intervals.exchange import acceptance_limits, conformance_probability
from intervals.exchange.spread import share_percent
from shop.selectors.bench_request import Measures


@dataclass(frozen=True, slots=True)
class LevelAcceptance:
    """The verdict on a stick reading.

    Attributes:
        is_accepted, sentence: the verdict, and why.
        probability: chance that the level lies within its tolerance; None when it cannot be said.
        low_mm, high_mm: readings that may be accepted; None when none may.
    """

    is_accepted: bool
    sentence: str
    probability: float | None = None
    low_mm: float | None = None
    high_mm: float | None = None


def level_acceptance(reading_mm: float, right_mm: float, measures: Measures) -> LevelAcceptance | None:
    """Judge a reading against its tolerance, a guard inside it; None when no tolerance was typed."""
    tolerance_mm, stick_mm = measures.level_tolerance_mm, measures.stick_error_mm
    if tolerance_mm is None:
        return None
    u_mm = stick_mm / math.sqrt(3.0)
    try:
        lower, upper = right_mm - tolerance_mm, right_mm + tolerance_mm
        limits = acceptance_limits(u_mm, lower, upper)
        probability = conformance_probability(reading_mm, u_mm, lower, upper)
    except HatchmarkError as error:
        return LevelAcceptance(False, str(error))
    chance = f"Chance that the level is right: {share_percent(probability)}."
    if limits.lower is None or limits.upper is None:
        sentence = (
            f"The stick, good to ± {stick_mm:g} mm, is too coarse for ± {tolerance_mm:g} mm: no reading can be "
            f"accepted; the tolerance would have to be ± {limits.guard:.1f} mm or more. {chance}"
        )
        return LevelAcceptance(False, sentence, probability)
    is_accepted = limits.lower <= reading_mm <= limits.upper
    counts = f"{limits.lower:.1f} to {limits.upper:.1f}".replace("-", "\u2212")
    sentence = (
        f"{'Accepted' if is_accepted else 'Not accepted'}: {counts} mm counts, {limits.guard:.1f} mm inside "
        f"± {tolerance_mm:g} mm for a stick good to ± {stick_mm:g} mm. {chance}"
    )
    return LevelAcceptance(is_accepted, sentence, probability, limits.lower, limits.upper)
