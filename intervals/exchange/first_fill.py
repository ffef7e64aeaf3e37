"""How far measured litres can be trusted, and how much to hold back from the first fill.

The guard comes off the *last* pour: the stages need the whole sump. Topping up on a hot stick is easy,
taking fluid out is not, so the first fill aims low on purpose.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import NormalDist

from intervals.errors import QuantityError
from intervals.exchange.fluid_kinds import PETROLEUM_OIL, FluidLaw
from intervals.exchange.propagation import COVERAGE, Input, Model, Spread, Uncertainty, propagate, spread_of
from intervals.exchange.volumes import DEFAULT_DENSITY_KG_M3

OVERFILL_RISK = 0.05
STANDPIPE_EXTRA_L = 0.3
GUARD_SHARE_OF_BAND = 0.8
TOP_UP_MOST_L = 0.2
TOP_UP_SHARE = 0.8

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class ErrorSource:
    """One cause of measurement error: its limit in litres and a group for errors that come together."""

    name: str
    limit_l: float
    group: str | None = None

    @property
    def standard_l(self) -> float:
        """Standard uncertainty of a bare limit: limit / sqrt 3 (rectangular, ISO/IEC Guide 98-3)."""
        return self.limit_l / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class FirstFill:
    """Litres of the first fill, the guard held back from it, and what limited the guard."""

    first_fill_l: float
    guard_l: float
    wanted_guard_l: float
    limited_by: str | None
    sentence: str


def combined_u(sources: Iterable[ErrorSource]) -> float:
    """Standard uncertainty of all sources together, L.

    Errors of one group (the same tray, the same filler) come together and are added straight; groups and
    single sources add as squares. Source: ISO/IEC Guide 98-3 (GUM), 5.1.2 and 5.2.

    Args:
        sources: the budget.

    Returns:
        Litres.

    Raises:
        QuantityError: a missing or negative limit.
    """
    straight: dict[str, float] = {}
    squares = 0.0
    for source in sources:
        if not 0.0 <= source.limit_l < math.inf:
            raise QuantityError(f"The error limit of '{source.name}' is missing or negative; give litres.")
        if source.group is None:
            squares += source.standard_l**2
        else:
            straight[source.group] = straight.get(source.group, 0.0) + source.standard_l
    return math.sqrt(squares + sum(u * u for u in straight.values()))


def corrected_out_l(
    tray_l: float,
    jug_l: float,
    jug_c: float,
    fill_c: float = 20.0,
    tray_c: float = 20.0,
    law: FluidLaw = PETROLEUM_OIL,
) -> float:
    """Litres that came out, at the temperature at which new fluid is poured.

    Args:
        tray_l, tray_c: tray reading and its temperature, L and °C.
        jug_l, jug_c: jug reading and its temperature, L and °C.
        fill_c: temperature of the new fluid, °C.
        law: how the fluid's volume moves with temperature.

    Returns:
        Litres at `fill_c`.

    Raises:
        QuantityError: values outside what its law holds for.
    """
    return law.moved_l(tray_l, tray_c, fill_c) + law.moved_l(jug_l, jug_c, fill_c)


def needed_l(out_corrected_l: float, arrival_mm: float, ml_per_mm: float, target_mm: float = 0.0) -> float:
    """Litres to pour for the right level: what came out plus what was missing on arrival.

    Args:
        out_corrected_l: corrected litres out, L.
        arrival_mm: stick on arrival, corrected to its temperature, mm from the target.
        ml_per_mm: stick scale.
        target_mm: level wanted, mm.

    Returns:
        Litres.
    """
    return out_corrected_l + (target_mm - arrival_mm) * ml_per_mm / 1000.0


def need_model(density_kg_m3: float = DEFAULT_DENSITY_KG_M3, fill_c: float = 20.0) -> Model:
    """Litres of new fluid needed, as a function of what was measured.

    Figures: tray_l, tray_c, jug_l, jug_c, arrival_mm (mm from the target, negative is short), ml_per_mm and
    pack_error_l (litres the packs hold above their label).
    """

    law = FluidLaw(density_kg_m3=density_kg_m3)

    def need(figures: Mapping[str, float]) -> float:
        out_l = corrected_out_l(
            figures["tray_l"], figures["jug_l"], figures["jug_c"], fill_c, figures["tray_c"], law
        )
        return needed_l(out_l, figures["arrival_mm"], figures["ml_per_mm"]) - figures["pack_error_l"]

    return need


def need_spread(
    measured: Mapping[str, float],
    uncertainties: Mapping[str, Uncertainty],
    density_kg_m3: float = DEFAULT_DENSITY_KG_M3,
    fill_c: float = 20.0,
    coverage: float = COVERAGE,
) -> Spread:
    """Litres needed with their spread; its `sd` is the u of `first_fill_l`.

    Args:
        measured: figures by name as `need_model`; what is left out is 0 L, 0 mm and, for temperatures, `fill_c`.
        uncertainties: by the same names.
        density_kg_m3: density at 60 °F, kg/m³.
        fill_c: temperature of the new fluid, °C.
        coverage: probability between `low` and `high`.

    Returns:
        Litres at `fill_c`.

    Raises:
        QuantityError: an unknown name, or figures outside the volume standard.
    """
    values = dict.fromkeys(("tray_l", "jug_l", "arrival_mm", "ml_per_mm", "pack_error_l"), 0.0)
    values |= {"tray_c": fill_c, "jug_c": fill_c}
    for name in (*measured, *uncertainties):
        if name not in values:
            raise QuantityError(f"“{name}” cannot be used here; allowed are {', '.join(values)}.")
    values |= measured
    unsure = tuple(
        Input(name, value, uncertainties.get(name, Uncertainty(0.0)), _least(name))
        for name, value in values.items()
    )
    return spread_of(propagate(need_model(density_kg_m3, fill_c), unsure), coverage, 0.0)


def _least(name: str) -> float:
    return 0.0 if name in ("tray_l", "jug_l", "ml_per_mm") else -math.inf


def z_for_risk(risk: float) -> float:
    """Standard deviations to hold back so that an overfill happens with probability `risk`, 0 < risk < 1."""
    if not 0.0 < risk < 1.0:
        raise QuantityError(f"An overfill risk of {risk:g} must lie between 0 and 1.")
    return _NORMAL.inv_cdf(1.0 - risk)


def risk_from_costs(cost_short: float, cost_over: float) -> float:
    """Best overfill risk when being short costs one more pour and being over means taking fluid out.

    Equation: P(over) = c_short / (c_short + c_over). Source: critical ratio of the single-period order
    problem.

    Args:
        cost_short, cost_over: price of either mistake, same money, above zero.

    Returns:
        Risk between 0 and 1.

    Raises:
        QuantityError: a price that is not above zero.
    """
    if not (0.0 < cost_short < math.inf and 0.0 < cost_over < math.inf):
        raise QuantityError("The price of pouring once more and of taking fluid out must both be above zero.")
    return cost_short / (cost_short + cost_over)


def overfill_probability(poured_l: float, need_l: float, u_l: float, by_more_than_l: float = 0.0) -> float:
    """Probability that the unit is overfull by more than a margin after pouring.

    Equation: Phi((poured - margin - need) / u). Source: JCGM 106, one-sided conformance probability.

    Args:
        poured_l, need_l: poured and needed litres.
        u_l: standard uncertainty of the need, L, above zero.
        by_more_than_l: margin, L.

    Returns:
        Probability.

    Raises:
        QuantityError: no spread.
    """
    if not 0.0 < u_l < math.inf:
        raise QuantityError("The spread of the need must be above zero; list its error sources first.")
    return _NORMAL.cdf((poured_l - by_more_than_l - need_l) / u_l)


def first_fill_l(
    need_l: float,
    u_l: float,
    risk: float = OVERFILL_RISK,
    *,
    band_l: float | None = None,
    least_l: float | None = None,
    is_standpipe: bool = False,
) -> FirstFill:
    """Litres to pour first, the guard held back from the last pour.

    Equation: first fill = need - z u, z = Phi^-1(1 - risk).

    Args:
        need_l: litres needed.
        u_l: standard uncertainty, L.
        risk: accepted chance of an overfill.
        band_l: litres between the lower cold mark and the target; the guard keeps to 80 % of it.
        least_l: least total pour that may be started (see `start_check`).
        is_standpipe: a standpipe needs no guard: 0.3 L more, the rest runs off.

    Returns:
        The first fill with its guard and what limited it.

    Raises:
        QuantityError: missing or negative figures.
    """
    if not (0.0 <= need_l < math.inf and 0.0 <= u_l < math.inf):
        raise QuantityError("The litres needed and their spread must be known and not negative.")
    if is_standpipe:
        poured_l = need_l + STANDPIPE_EXTRA_L
        return FirstFill(
            poured_l,
            0.0,
            0.0,
            "standpipe",
            f"Pour {poured_l:.2f} L inside the window and let the rest run off.",
        )
    wanted_l = max(0.0, z_for_risk(risk) * u_l)
    guard_l, limited_by = wanted_l, None
    if band_l is not None and guard_l > GUARD_SHARE_OF_BAND * band_l:
        guard_l, limited_by = GUARD_SHARE_OF_BAND * band_l, "cold mark"
    if least_l is not None and need_l - guard_l < least_l:
        guard_l, limited_by = max(0.0, need_l - least_l), "start check"
    sentence = f"Stop pouring at {need_l - guard_l:.2f} L; {guard_l:.2f} L are held back from the last pour."
    return FirstFill(need_l - guard_l, guard_l, wanted_l, limited_by, sentence)


def top_up_l(lacking_l: float) -> float:
    """Next pour on the hot stick: 80 % of the computed lack, at most 0.2 L; zero when nothing is lacking."""
    return max(0.0, min(TOP_UP_MOST_L, TOP_UP_SHARE * lacking_l))
