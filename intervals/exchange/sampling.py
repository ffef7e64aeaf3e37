"""What a laboratory sample says about a finished job: the fresh share it reached, and how the unit mixes."""

import math
from dataclasses import dataclass

from intervals.errors import QuantityError
from intervals.exchange.learning import Belief
from intervals.exchange.shares import MIXING_BEST, one_number_share

LEAST_CONTRAST = 0.2
"""Old and new fluid must differ by this share of the larger content. Common practice, no source."""

CONTENT_SD_SHARE = 0.02
"""Standard deviation of one content in one series of one laboratory, as a share. House default; its own statement of
repeatability goes first."""

MIXING_BELIEF = Belief(mean=MIXING_BEST, sd=0.2 / math.sqrt(3.0), least_mad=0.02, low_by=None, most_sd=0.1)
"""How a unit mixes before anybody took a sample: 0.6, limits 0.4 to 0.8 (common practice, no source) over √3
(JCGM 100, 4.3.7)."""

_LITRES_BAND_U = 2.0


@dataclass(frozen=True, slots=True)
class Contents:
    """An additive element before, in the new fluid and after a job, mg/kg, and how sure one content is, as a share."""

    before_mg_kg: float
    new_mg_kg: float
    after_mg_kg: float
    sd_share: float = CONTENT_SD_SHARE


@dataclass(frozen=True, slots=True)
class SampledShare:
    """The fresh share a sample shows, 0 to 1, and its standard deviation."""

    share: float
    sd: float


@dataclass(frozen=True, slots=True)
class Mixing:
    """The mixing number, 0 (pure push) to 1 (stirred), that explains a fresh share, and its standard deviation."""

    mixing: float
    sd: float


def share_from_sample(contents: Contents) -> SampledShare:
    """Fresh share from an additive element that is neither made nor lost during the job.

    Equation: f = (E_after - E_before)/(E_new - E_before), mass balance; u² = sum (df/dE u(E))², JCGM 100 (GUM) 5.1.2.

    Args:
        contents: of one element; the last sample taken hot after a drive (common practice 15 km, no source).

    Returns:
        The share and its standard deviation.

    Raises:
        QuantityError: contents too alike or out of order, or a number that is missing.
    """
    before, new, after = contents.before_mg_kg, contents.new_mg_kg, contents.after_mg_kg
    if not all(0.0 <= one < math.inf for one in (before, new, after)):
        raise QuantityError("Contents must be numbers in mg/kg, zero or more; ask the laboratory again.")
    if not 0.0 < contents.sd_share < 1.0:
        raise QuantityError("The spread of a content must be a share above 0 and below 1, e.g. 0.02.")
    apart = new - before
    if abs(apart) < LEAST_CONTRAST * max(new, before) or apart == 0.0:
        raise QuantityError(
            f"Old fluid with {before:g} mg/kg and new fluid with {new:g} differ by less than 20 %; take another "
            "element."
        )
    share = (after - before) / apart
    if not 0.0 <= share <= 1.0:
        raise QuantityError(
            f"The sample gives a fresh share of {share:.2f}, outside 0 to 1: {after:g} mg/kg does not lie "
            f"between {before:g} and {new:g}. Have reference samples of old and new fluid tested."
        )
    u = contents.sd_share / abs(apart) * math.hypot(after, share * new, (1.0 - share) * before)
    return SampledShare(share, u)


def check_sampled(sampled: SampledShare, drained_l: float, pushed_l: float, total_l: float) -> None:
    """Refuse a share that the litres of the job cannot have left.

    It must lie between pure push and full stirring; where nothing was pushed, there is only one share, and the sample
    may differ from it by twice its own standard deviation.

    Args:
        sampled: from `share_from_sample`.
        drained_l, pushed_l, total_l: litres drained and refilled, pushed through after, and in the unit.

    Raises:
        QuantityError: the share is outside, or litres do not fit together.
    """
    most = one_number_share(drained_l, pushed_l, total_l, 0.0)
    least = one_number_share(drained_l, pushed_l, total_l, 1.0)
    band = 1e-9 if pushed_l > 0.0 else _LITRES_BAND_U * sampled.sd
    if not least - band <= sampled.share <= most + band:
        allowed = (
            f"{least:.3f} (stirred) to {most:.3f} (pure push) for these litres"
            if pushed_l > 0.0
            else f"{most:.3f} ± {band:.3f}, which is all a drain of {drained_l:.2f} L can leave"
        )
        raise QuantityError(
            f"A fresh share of {sampled.share:.3f} is outside {allowed}. Check the litres, and have reference samples "
            "of old and new fluid tested."
        )


def mixing_from_sample(sampled: SampledShare, drained_l: float, pushed_l: float, total_l: float) -> Mixing:
    """Mixing number that explains a sampled share.

    Equation: the one-number share is linear in m, f(m) = f(0) - m (f(0) - f(1)), solved for m.

    Args:
        sampled: from `share_from_sample`.
        drained_l, pushed_l, total_l: as `check_sampled`.

    Returns:
        The number and its standard deviation.

    Raises:
        QuantityError: as `check_sampled`, or nothing was pushed through.
    """
    check_sampled(sampled, drained_l, pushed_l, total_l)
    most = one_number_share(drained_l, pushed_l, total_l, 0.0)
    least = one_number_share(drained_l, pushed_l, total_l, 1.0)
    if most - least < 1e-9:
        raise QuantityError("Without litres pushed through, a sample says nothing about mixing.")
    return Mixing(min(1.0, max(0.0, (most - sampled.share) / (most - least))), sampled.sd / (most - least))
