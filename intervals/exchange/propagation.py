"""The law of propagation of uncertainty, for any function of named figures.

Source throughout: ISO/IEC Guide 98-3 (GUM, JCGM 100:2008). A Monte Carlo run (GUM Supplement 1) stands beside it
for checking.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit  # type: ignore[import-untyped]

from intervals.errors import QuantityError

RECTANGULAR = "rectangular"
TRIANGULAR = "triangular"
NORMAL = "normal"
STANDARD_PER_LIMIT = {RECTANGULAR: 1.0 / math.sqrt(3.0), TRIANGULAR: 1.0 / math.sqrt(6.0), NORMAL: 1.0}
"""Standard uncertainty of a limit of 1 by shape; for 'normal' the limit is the standard uncertainty itself."""

COVERAGE = 0.95
MONTE_CARLO_SEED = 20_000
MONTE_CARLO_DRAWS = 20_000

Figures = Mapping[str, float]
Model = Callable[[Figures], float]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """How far one figure may be off.

    Attributes:
        limit: half width of a rectangular or triangular distribution, or the standard uncertainty of a normal
            one, in the figure's unit.
        shape: 'rectangular', 'triangular' or 'normal'.
        dof: degrees of freedom behind it; infinite for a bare limit.
        group: figures of one group are off together and are added straight, with their signs.
    """

    limit: float
    shape: str = RECTANGULAR
    dof: float = math.inf
    group: str | None = None

    @property
    def standard(self) -> float:
        """Standard uncertainty, in the figure's unit (GUM 4.3.7 and 4.3.9)."""
        return self.limit * STANDARD_PER_LIMIT[self.shape]


@dataclass(frozen=True, slots=True)
class Input:
    """A named figure with its uncertainty; `lowest` and `highest` bound what it can be at all."""

    name: str
    value: float
    uncertainty: Uncertainty
    lowest: float = -math.inf
    highest: float = math.inf


@dataclass(frozen=True, slots=True)
class Propagated:
    """Result of the law of propagation.

    Attributes:
        value: the function at the best estimates.
        u: combined standard uncertainty.
        dof: effective degrees of freedom (Welch-Satterthwaite), not rounded; infinite for bare limits.
        parts: sensitivity times standard uncertainty by input, with its sign.
    """

    value: float
    u: float
    dof: float
    parts: Mapping[str, float]

    def coverage_factor(self, coverage: float = COVERAGE) -> float:
        """Factor k of Student's t, degrees of freedom truncated to a whole number (GUM G.4.1, G.6.4)."""
        normal = coverage_z(coverage)
        if math.isinf(self.dof):
            return normal
        return float(stdtrit(max(1.0, math.floor(self.dof + 1e-9)), 0.5 + 0.5 * coverage))

    def expanded(self, coverage: float = COVERAGE) -> float:
        """Expanded uncertainty U = k u."""
        return self.coverage_factor(coverage) * self.u


def coverage_z(coverage: float) -> float:
    """Standard deviations on either side of a normal mean that hold a share `coverage`, between 0 and 1, of it."""
    if not 0.0 < coverage < 1.0:
        raise QuantityError(f"A coverage of {coverage:g} must lie between 0 and 1.")
    return NormalDist().inv_cdf(0.5 + 0.5 * coverage)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Mean, standard deviation and two-sided quantiles of a Monte Carlo run."""

    mean: float
    sd: float
    low: float
    high: float
    draws: int


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure with its spread.

    Attributes:
        value: best estimate.
        sd: standard uncertainty, same unit.
        low, high: coverage interval.
        parts: what each input contributes, same unit, with its sign.
    """

    value: float
    sd: float
    low: float
    high: float
    parts: Mapping[str, float]


def propagate(model: Model, inputs: Sequence[Input]) -> Propagated:
    """Combine the uncertainties of a function's inputs.

    Equations: c_i u_i = (f(x_i + u_i) - f(x_i - u_i)) / 2 (GUM 5.1.3, note 2); within a group the parts are added
    straight (5.2.2, note 1), groups and single inputs as squares (5.1.2); nu_eff = u^4 / sum(u_g^4 / nu_g) (G.4).
    Where a step would leave what an input can be, the slope is taken over the part inside.

    Args:
        model: function of a mapping of figures by name.
        inputs: the figures with their uncertainties.

    Returns:
        Value, standard uncertainty, degrees of freedom and parts.

    Raises:
        QuantityError: an uncertainty or figure that is missing, negative or named twice; or what the model raises.
    """
    _check(inputs)
    estimates = {item.name: item.value for item in inputs}
    parts: dict[str, float] = {}
    groups: dict[str, tuple[float, float]] = {}
    for item in inputs:
        part = _part(model, estimates, item)
        parts[item.name] = part
        # A name no group can have keeps single inputs apart.
        key = f"\0{item.name}" if item.uncertainty.group is None else item.uncertainty.group
        before, dof = groups.get(key, (0.0, math.inf))
        groups[key] = (before + part, min(dof, item.uncertainty.dof))
    variance = sum(part * part for part, _ in groups.values())
    weights = sum(part**4 / dof for part, dof in groups.values())
    dof = variance**2 / weights if weights > 0.0 else math.inf
    return Propagated(model(estimates), math.sqrt(variance), dof, parts)


def spread_of(
    result: Propagated, coverage: float = COVERAGE, lowest: float = -math.inf, highest: float = math.inf
) -> Spread:
    """The result with its coverage interval, value ± U, cut to what it can be at all.

    Args:
        result: from `propagate`.
        coverage: probability between `low` and `high`.
        lowest, highest: bounds of the figure.

    Returns:
        The figure with its spread.
    """
    half = result.expanded(coverage)
    low, high = max(lowest, result.value - half), min(highest, result.value + half)
    return Spread(result.value, result.u, low, high, result.parts)


def monte_carlo(
    model: Model,
    inputs: Sequence[Input],
    draws: int = MONTE_CARLO_DRAWS,
    seed: int = MONTE_CARLO_SEED,
    coverage: float = COVERAGE,
) -> Drawn:
    """Spread of a function by drawing its inputs, to check `propagate`.

    Inputs of one group share one draw. A draw beyond what an input can be is folded back inside. Inputs with
    few degrees of freedom are drawn from Student's t. Source: GUM Supplement 1 (JCGM 101:2008), 5 to 7.

    Args:
        model, inputs: as `propagate`.
        draws: number of draws, at least 2.
        seed: start of the random numbers; the same seed gives the same result.
        coverage: probability between `low` and `high`.

    Returns:
        Mean, standard deviation and quantiles.

    Raises:
        QuantityError: as `propagate`, or fewer than two draws.
    """
    _check(inputs)
    if draws < 2 or not 0.0 < coverage < 1.0:
        raise QuantityError("A Monte Carlo run needs at least two draws and a coverage between 0 and 1.")
    rng = np.random.default_rng(seed)
    chances: dict[str, FloatArray] = {}
    columns: dict[str, FloatArray] = {}
    for item in inputs:
        key = f"\0{item.name}" if item.uncertainty.group is None else item.uncertainty.group
        if key not in chances:
            chances[key] = rng.uniform(0.0, 1.0, draws)
        off = item.uncertainty.limit * _deviates(item.uncertainty, chances[key])
        columns[item.name] = _folded(item.value + off, item.lowest, item.highest)
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    results = np.array([model(dict(zip(columns, row, strict=True))) for row in rows])
    low, high = np.quantile(results, [0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage])
    return Drawn(float(results.mean()), float(results.std(ddof=1)), float(low), float(high), draws)


def _part(model: Model, estimates: dict[str, float], item: Input) -> float:
    u = item.uncertainty.standard
    below, above = max(item.lowest, item.value - u), min(item.highest, item.value + u)
    if above == below:  # certain, or surer than the figure's own last digit
        return 0.0
    rise = model({**estimates, item.name: above}) - model({**estimates, item.name: below})
    return rise / (above - below) * u


def _deviates(uncertainty: Uncertainty, chances: FloatArray) -> FloatArray:
    if uncertainty.shape == RECTANGULAR:
        return 2.0 * chances - 1.0
    if uncertainty.shape == TRIANGULAR:
        rising = np.sqrt(2.0 * np.minimum(chances, 0.5)) - 1.0
        return np.where(chances < 0.5, rising, 1.0 - np.sqrt(2.0 * np.minimum(1.0 - chances, 0.5)))
    if math.isinf(uncertainty.dof):
        return np.asarray(ndtri(chances), dtype=np.float64)
    return np.asarray(stdtrit(uncertainty.dof, chances), dtype=np.float64)


def _folded(values: FloatArray, lowest: float, highest: float) -> FloatArray:
    values = np.where(values < lowest, 2.0 * lowest - values, values)
    values = np.where(values > highest, 2.0 * highest - values, values)
    return np.clip(values, lowest, highest)


def _check(inputs: Sequence[Input]) -> None:
    if not inputs:
        raise QuantityError("Name at least one figure with its uncertainty.")
    if len({item.name for item in inputs}) != len(inputs):
        raise QuantityError("A figure is named twice in the uncertainty budget; name each once.")
    for item in inputs:
        uncertainty = item.uncertainty
        if uncertainty.shape not in STANDARD_PER_LIMIT:
            allowed = ", ".join(STANDARD_PER_LIMIT)
            raise QuantityError(f"“{uncertainty.shape}” is no distribution; allowed are {allowed}.")
        if not 0.0 <= uncertainty.limit < math.inf or not uncertainty.dof >= 1.0:
            raise QuantityError(
                f"The uncertainty of '{item.name}' is missing or negative, or has less than one degree of freedom."
            )
        if not (math.isfinite(item.value) and item.lowest <= item.value <= item.highest):
            raise QuantityError(
                f"'{item.name}' is {item.value:g}, which is missing or outside what it can be."
            )
        if item.lowest >= item.highest:
            raise QuantityError(f"'{item.name}' has no room between its lowest and highest value.")
