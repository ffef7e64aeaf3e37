"""Accepting a level or a volume that was measured with a spread, and how far a pack may be short.

Tolerance limits belong to the unit, acceptance limits to the reading: a reading is accepted only so far inside
the tolerance that the chance of being wrong stays small.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

from intervals.errors import QuantityError
from intervals.exchange.first_fill import ErrorSource, z_for_risk

WRONG_ACCEPT_RISK = 0.05
FILLER_GROUP = "one filling line"

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class AcceptanceLimits:
    """Readings that may be accepted; None on a side without a tolerance.

    reason: None, or why no reading can be accepted (then both limits are None).
    """

    lower: float | None
    upper: float | None
    guard: float
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class PackTolerance:
    """One row of the table of tolerable negative errors: a share of the content, or a fixed volume.

    The row holds above `above_l` up to and with `up_to_l`; exactly one of the two errors is set.
    """

    above_l: float
    up_to_l: float
    share: float | None
    fixed_l: float | None
    source: str


_EEC = "Directive 76/211/EEC, annex I, 2.4"
_R87 = "OIML R 87, from memory"

PACK_TOLERANCES = (
    PackTolerance(0.005, 0.050, 0.09, None, _EEC),
    PackTolerance(0.050, 0.100, None, 0.0045, _EEC),
    PackTolerance(0.100, 0.200, 0.045, None, _EEC),
    PackTolerance(0.200, 0.300, None, 0.009, _EEC),
    PackTolerance(0.300, 0.500, 0.03, None, _EEC),
    PackTolerance(0.500, 1.000, None, 0.015, _EEC),
    PackTolerance(1.000, 10.000, 0.015, None, _EEC),
    PackTolerance(10.000, 15.000, None, 0.150, _R87),
    PackTolerance(15.000, 50.000, 0.01, None, _R87),
)
"""How far a prepacked content may be short. The directive ends at 10 L; above it OIML R 87 goes on."""


def conformance_probability(
    reading: float, u: float, lower: float | None = None, upper: float | None = None
) -> float:
    """Probability that the true value lies within its tolerance.

    Equation: Phi((T_U - y)/u) - Phi((T_L - y)/u). Source: JCGM 106:2012, 7.4 (normal distribution).

    Args:
        reading: best estimate y.
        u: its standard uncertainty, above zero, in the reading's unit.
        lower, upper: tolerance limits; None leaves a side open.

    Returns:
        Probability, 0 to 1.

    Raises:
        QuantityError: no reading, spread or tolerance, or limits the wrong way round.
    """
    _check(u, lower, upper)
    if not math.isfinite(reading):
        raise QuantityError("The reading is not a number; read again.")
    below_upper = 1.0 if upper is None else _NORMAL.cdf((upper - reading) / u)
    below_lower = 0.0 if lower is None else _NORMAL.cdf((lower - reading) / u)
    return max(0.0, below_upper - below_lower)


def guard_band(u: float, risk: float = WRONG_ACCEPT_RISK) -> float:
    """Distance a reading must keep from a tolerance limit so that accepting it is wrong with `risk` at most.

    Equation: w = z u, z = Phi^-1(1 - risk). Source: JCGM 106:2012, 8.3.

    Args:
        u: standard uncertainty, above zero.
        risk: accepted chance of being outside, above 0 and up to 0.5.

    Returns:
        The band, in the unit of `u`.

    Raises:
        QuantityError: no spread, or a risk outside its range.
    """
    _check(u, None, 0.0)
    if not 0.0 < risk <= 0.5:
        raise QuantityError(f"A risk of {risk:g} for a wrong acceptance must lie above 0 and up to 0.5.")
    return z_for_risk(risk) * u


def acceptance_limits(
    u: float, lower: float | None = None, upper: float | None = None, risk: float = WRONG_ACCEPT_RISK
) -> AcceptanceLimits:
    """Readings that may be accepted under a tolerance.

    Equation: A_L = T_L + w, A_U = T_U - w. Source: JCGM 106:2012, 8.3, guarded acceptance. With two limits each
    reading inside keeps the risk on either side; a tolerance narrower than 2 w has no such reading.

    Args:
        u: standard uncertainty of the reading.
        lower, upper: tolerance limits; None leaves a side open.
        risk: accepted chance of being outside on one side.

    Returns:
        The limits, or the reason why no reading can be accepted.

    Raises:
        QuantityError: as `conformance_probability` and `guard_band`.
    """
    _check(u, lower, upper)
    guard = guard_band(u, risk)
    low = None if lower is None else lower + guard
    high = None if upper is None else upper - guard
    if low is not None and high is not None and low > high:
        reason = (
            f"The reading is too uncertain for this tolerance: a guard of {guard:g} on either side leaves "
            "nothing; measure better, or weigh."
        )
        return AcceptanceLimits(None, None, guard, reason)
    return AcceptanceLimits(low, high, guard)


def expected_cost(
    poured_l: float, need_l: float, u_l: float, cost_short_per_l: float, cost_over_per_l: float
) -> float:
    """Expected cost of a first fill when each litre short and each litre over has its price.

    Equation: c_o E[(p - X)+] + c_s E[(X - p)+], X normal (need, u); least where P(over) = c_s / (c_s + c_o),
    which `first_fill.risk_from_costs` gives. Source: single-period order problem, normal demand.

    Args:
        poured_l, need_l: litres poured first and litres needed.
        u_l: standard uncertainty of the need, L.
        cost_short_per_l, cost_over_per_l: price of a litre short and of a litre over, same money.

    Returns:
        Expected cost in that money.

    Raises:
        QuantityError: figures missing, no spread, or prices not above zero.
    """
    _check(u_l, None, 0.0)
    if not (math.isfinite(poured_l) and math.isfinite(need_l)):
        raise QuantityError("The litres poured and needed must both be known.")
    if not (0.0 < cost_short_per_l < math.inf and 0.0 < cost_over_per_l < math.inf):
        raise QuantityError("The price of a litre short and of a litre over must both be above zero.")
    z = (poured_l - need_l) / u_l
    over_l = u_l * (z * _NORMAL.cdf(z) + _NORMAL.pdf(z))
    return cost_over_per_l * over_l + cost_short_per_l * (over_l - (poured_l - need_l))


def tolerable_negative_error_l(nominal_l: float) -> float:
    """Litres a prepacked content may be short of what the label says.

    Source: Directive 76/211/EEC, annex I, 2.4 (5 mL to 10 L); above 10 L OIML R 87 (from memory).

    Args:
        nominal_l: content on the label, L, 0.005 to 50.

    Returns:
        Litres.

    Raises:
        QuantityError: a content the tables do not cover.
    """
    if nominal_l >= PACK_TOLERANCES[0].above_l:
        for row in PACK_TOLERANCES:
            if nominal_l <= row.up_to_l:
                return row.fixed_l if row.fixed_l is not None else (row.share or 0.0) * nominal_l
    raise QuantityError(
        f"The rule for prepacked goods says nothing about a content of {nominal_l:g} L; it covers 0.005 to 50 L. "
        "Measure what leaves a drum."
    )


def pack_error_sources(nominal_l: Iterable[float]) -> tuple[ErrorSource, ...]:
    """Error sources of packs poured out whole, for `combined_u`.

    Packs of one filling line are off together, so their errors are added straight.

    Args:
        nominal_l: content of each pack, L.

    Returns:
        One source per pack.

    Raises:
        QuantityError: as `tolerable_negative_error_l`.
    """
    return tuple(
        ErrorSource(f"pack of {litres:g} L", tolerable_negative_error_l(litres), FILLER_GROUP)
        for litres in nominal_l
    )


def _check(u: float, lower: float | None, upper: float | None) -> None:
    if not 0.0 < u < math.inf:
        raise QuantityError("The spread of the reading must be above zero; list its error sources first.")
    given = [limit for limit in (lower, upper) if limit is not None]
    if not given or not all(math.isfinite(limit) for limit in given):
        raise QuantityError("Give at least one tolerance limit, as a number.")
    if lower is not None and upper is not None and lower >= upper:
        raise QuantityError(f"The lower limit of {lower:g} must lie below the upper limit of {upper:g}.")
