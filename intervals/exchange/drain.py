"""Litres out of the plug against time and temperature.

A hot sump empties in minutes and the film and the drained-back parts follow over hours. Both slow down as
the oil cools and thickens, so time is counted in minutes-at-60-°C.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from intervals.errors import QuantityError

REFERENCE_C = 60.0
QUICK_MIN = 10.0
OVERNIGHT_MIN = 24 * 60.0
HOT_C, SHED_C = 70.0, 18.0
DEFAULT_COOLING_MIN = 150.0
DEFAULT_KV40, DEFAULT_KV100 = 34.0, 7.2

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True, slots=True)
class DrainCurve:
    """Two parts of a drain: litres that leave quickly and slowly, each with its time constant at 60 °C."""

    quick_l: float
    slow_l: float
    quick_min: float = 2.5
    slow_min: float = 95.0

    def litres_at(self, theta_min: float) -> float:
        """Litres out after `theta_min` minutes at 60 °C: Dq(1 - exp(-theta/tq)) + Ds(1 - exp(-theta/ts))."""
        quick = self.quick_l * -math.expm1(-theta_min / self.quick_min)
        return quick + self.slow_l * -math.expm1(-theta_min / self.slow_min)


@lru_cache(maxsize=256)
def _walther(kv40: float, kv100: float) -> tuple[float, float]:
    if not 1.0 < kv100 < kv40 < 5000.0:
        raise QuantityError(
            f"Viscosities of {kv40:g} mm²/s at 40 °C and {kv100:g} at 100 °C cannot belong to one oil; "
            "both come from the data sheet and the first is the larger."
        )
    log_40, log_100 = math.log10(40.0 - _ABSOLUTE_ZERO_C), math.log10(100.0 - _ABSOLUTE_ZERO_C)
    high, low = math.log10(math.log10(kv40 + 0.7)), math.log10(math.log10(kv100 + 0.7))
    slope = (high - low) / (log_100 - log_40)
    return high + slope * log_40, slope


def _viscosities(temps_c: NDArray[np.float64], kv40: float, kv100: float) -> NDArray[np.float64]:
    offset, slope = _walther(kv40, kv100)
    return np.asarray(10.0 ** (10.0 ** (offset - slope * np.log10(temps_c - _ABSOLUTE_ZERO_C))) - 0.7)


def kinematic_viscosity(temp_c: float, kv40: float = DEFAULT_KV40, kv100: float = DEFAULT_KV100) -> float:
    """Kinematic viscosity at a temperature, from the two figures of the data sheet.

    Equation: log10 log10(nu + 0.7) = A - B log10(T/K). Source: ASTM D341.

    Args:
        temp_c: oil temperature, °C, -50 to 150.
        kv40: viscosity at 40 °C, mm²/s.
        kv100: viscosity at 100 °C, mm²/s.

    Returns:
        mm²/s.

    Raises:
        QuantityError: viscosities that do not belong together, or a temperature outside the range.
    """
    if not -50.0 <= temp_c <= 150.0:
        raise QuantityError(f"An oil temperature of {temp_c:g} °C is outside -50 to 150 °C; measure again.")
    return float(_viscosities(np.array([temp_c]), kv40, kv100)[0])


def minutes_at_60c(
    minutes: float,
    start_c: float,
    ambient_c: float,
    kv40: float = DEFAULT_KV40,
    kv100: float = DEFAULT_KV100,
    cooling_min: float = DEFAULT_COOLING_MIN,
) -> float:
    """Draining time converted to minutes at 60 °C, as the oil cools towards the shed.

    Equation: theta = integral of nu(60)/nu(T(t)) dt, T(t) = T_amb + (T0 - T_amb) exp(-t / cooling).
    Source: laminar flow time is proportional to viscosity; Newton's law of cooling.

    Args:
        minutes: time since the plug came out, min.
        start_c: oil temperature when the plug came out, °C.
        ambient_c: shed temperature, °C.
        kv40, kv100: viscosity at 40 and 100 °C, mm²/s.
        cooling_min: cooling time constant, min (common practice 90 to 240, no source).

    Returns:
        Minutes at 60 °C.

    Raises:
        QuantityError: a negative or missing time, or values outside the viscosity range.
    """
    if not 0.0 <= minutes < math.inf or not 0.0 < cooling_min < math.inf:
        raise QuantityError("The draining time must be zero or more minutes and the cooling time above zero.")
    at_60 = kinematic_viscosity(REFERENCE_C, kv40, kv100)
    settled = kinematic_viscosity(ambient_c, kv40, kv100)
    kinematic_viscosity(start_c, kv40, kv100)
    cooling_part = min(minutes, 12.0 * cooling_min)
    times = 0.5 * cooling_part * (_NODES + 1.0)
    temps = ambient_c + (start_c - ambient_c) * np.exp(-times / cooling_min)
    rates = at_60 / _viscosities(temps, kv40, kv100)
    return float(0.5 * cooling_part * (_WEIGHTS @ rates)) + (minutes - cooling_part) * at_60 / settled


def fit_drain_curve(
    quick_drain_l: float,
    overnight_drain_l: float,
    quick_min: float = 2.5,
    slow_min: float = 95.0,
    kv40: float = DEFAULT_KV40,
    kv100: float = DEFAULT_KV100,
) -> DrainCurve:
    """Drain curve through the two figures a workshop knows: 10 minutes hot, and a day.

    Both are taken from 70 °C in a shed at 18 °C. Figures so close that no slow part is left (a manual box)
    give a curve of the overnight figure alone. The time constants are common practice (no source) until
    learned.

    Args:
        quick_drain_l: litres out in 10 min from hot.
        overnight_drain_l: litres out in 24 h; not below the quick drain.
        quick_min, slow_min: time constants at 60 °C, min.
        kv40, kv100: viscosity at 40 and 100 °C, mm²/s.

    Returns:
        The curve.

    Raises:
        QuantityError: figures that contradict each other.
    """
    if not 0.0 < quick_drain_l <= overnight_drain_l < math.inf:
        raise QuantityError(
            f"A quick drain of {quick_drain_l:g} L and an overnight drain of {overnight_drain_l:g} L "
            f"contradict each "
            "other; the overnight figure is the larger one."
        )
    quick_theta = minutes_at_60c(QUICK_MIN, HOT_C, SHED_C, kv40, kv100)
    night_theta = minutes_at_60c(OVERNIGHT_MIN, HOT_C, SHED_C, kv40, kv100)
    parts = np.array(
        [[-math.expm1(-t / c) for c in (quick_min, slow_min)] for t in (quick_theta, night_theta)]
    )
    quick_l, slow_l = np.linalg.solve(parts, np.array([quick_drain_l, overnight_drain_l]))
    if slow_l < 0.0:
        return DrainCurve(overnight_drain_l, 0.0, quick_min, slow_min)
    return DrainCurve(float(quick_l), float(slow_l), quick_min, slow_min)


def drained_l(
    minutes: float,
    start_c: float,
    ambient_c: float,
    curve: DrainCurve,
    kv40: float = DEFAULT_KV40,
    kv100: float = DEFAULT_KV100,
    cooling_min: float = DEFAULT_COOLING_MIN,
) -> float:
    """Litres expected in the tray `minutes` after the plug came out.

    Args, raises: as `minutes_at_60c`, with the unit's `curve`.

    Returns:
        Litres.
    """
    return curve.litres_at(minutes_at_60c(minutes, start_c, ambient_c, kv40, kv100, cooling_min))


def stop_waiting_min(
    start_c: float,
    ambient_c: float,
    curve: DrainCurve,
    kv40: float = DEFAULT_KV40,
    kv100: float = DEFAULT_KV100,
    cooling_min: float = DEFAULT_COOLING_MIN,
    worth_l_per_h: float = 0.1,
) -> float | None:
    """First full hour after which the next hour brings less than `worth_l_per_h`, looking three days ahead.

    Cold oil starts slowly, so hours are judged only after the quick part is out.

    Args, raises: as `drained_l`; worth_l_per_h: litres an hour of waiting must bring, L.

    Returns:
        Minutes, or None when even after three days each hour still brings more.
    """
    before_l = drained_l(60.0, start_c, ambient_c, curve, kv40, kv100, cooling_min)
    for hour in range(1, 73):
        after_l = drained_l(60.0 * (hour + 1), start_c, ambient_c, curve, kv40, kv100, cooling_min)
        if after_l - before_l < worth_l_per_h and before_l >= 0.9 * curve.quick_l:
            return 60.0 * hour
        before_l = after_l
    return None
