"""The only unit conversions: what people type becomes km, L, h, N·m and kPa, and back again for the screen.

Each factor is taken once from pint's unit definitions when the module loads; after that everything is plain
floats.
"""

import math
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import pint

from intervals.errors import QuantityError

# Reading the definitions takes longer than anything else here.
_REGISTRY: Final[pint.UnitRegistry[float]] = pint.UnitRegistry()


def _factors(target: str, units: Mapping[str, str]) -> Mapping[str, float]:
    return MappingProxyType(
        {shown: float(_REGISTRY.Quantity(1.0, name).to(target).magnitude) for shown, name in units.items()}
    )


KM_PER_UNIT: Final = _factors("kilometer", {"km": "kilometer", "mi": "international_mile"})
L_PER_UNIT: Final = _factors(
    "liter",
    {
        "L": "liter",
        "mL": "milliliter",
        "US gal": "US_liquid_gallon",
        "US qt": "US_liquid_quart",
        "imp gal": "imperial_gallon",
        "imp qt": "imperial_quart",
    },
)
N_M_PER_UNIT: Final = _factors(
    "newton * meter",
    {"N·m": "newton * meter", "lbf·ft": "force_pound * foot", "lbf·in": "force_pound * inch"},
)
KPA_PER_UNIT: Final = _factors("kilopascal", {"kPa": "kilopascal", "bar": "bar", "psi": "psi"})

_TWO_MEANINGS: Final = {
    "gal": "US gal or imp gal",
    "gallon": "US gal or imp gal",
    "qt": "US qt or imp qt",
    "quart": "US qt or imp qt",
}
_AMOUNT: Final = re.compile(r"[+-]?(?:[0-9]+|[0-9]{1,3}(?: [0-9]{3})+)(?:\.[0-9]+)?")
_HOURS_AND_MINUTES: Final = re.compile(r"([0-9]+|[0-9]{1,3}(?: [0-9]{3})+):([0-9]{2})")
_SPACES: Final = str.maketrans({"\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-"})
_MINUTES_PER_HOUR: Final = 60


def _factor(unit: str, table: Mapping[str, float]) -> float:
    if unit in _TWO_MEANINGS:
        raise QuantityError(
            f'"{unit}" has two sizes. Allowed: {_TWO_MEANINGS[unit]}. Write which one is meant.'
        )
    if unit not in table:
        raise QuantityError(
            f'"{unit}" is not a unit known here. Allowed: {", ".join(table)}. Choose one of these.'
        )
    return table[unit]


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise QuantityError(
            f"{value} is not an amount. Allowed: an ordinary number. Leave it empty if it is unknown."
        )
    return value


def to_km(value: float, unit: str) -> float:
    """Return a distance in km.

    Args:
        value: the distance, in ``unit``.
        unit: "km" or "mi" (the international mile, 1.609344 km).

    Raises:
        QuantityError: the unit is unknown or the value is not finite.
    """
    return _finite(value) * _factor(unit, KM_PER_UNIT)


def from_km(km: float, unit: str) -> float:
    """Return a distance of ``km`` in ``unit`` ("km" or "mi"); the reverse of `to_km`."""
    return _finite(km) / _factor(unit, KM_PER_UNIT)


def to_l(value: float, unit: str) -> float:
    """Return a volume in litres.

    Args:
        value: the volume, in ``unit``.
        unit: "L", "mL", "US gal", "US qt", "imp gal" or "imp qt"; a bare "gal" or "qt" is refused.

    Raises:
        QuantityError: the unit is unknown or has two sizes, or the value is not finite.
    """
    return _finite(value) * _factor(unit, L_PER_UNIT)


def from_l(litres: float, unit: str) -> float:
    """Return a volume of ``litres`` in ``unit``; the reverse of `to_l`."""
    return _finite(litres) / _factor(unit, L_PER_UNIT)


def torque_n_m(value: float, unit: str) -> float:
    """Return a torque in N·m from "N·m", "lbf·ft" or "lbf·in"; raises QuantityError for any other unit."""
    return _finite(value) * _factor(unit, N_M_PER_UNIT)


def pressure_kpa(value: float, unit: str) -> float:
    """Return a pressure in kPa from "kPa", "bar" or "psi"; raises QuantityError for any other unit."""
    return _finite(value) * _factor(unit, KPA_PER_UNIT)


def to_h(value: str | float, unit: str) -> float:
    """Return hours as a decimal number from what an hour meter shows.

    Args:
        value: the reading as typed ("1234:30", "1 234.30") or, for a decimal meter, as a number.
        unit: "h" for a decimal meter, "hh:mm" for one that shows hours and minutes.

    Raises:
        QuantityError: the text does not fit the kind of meter named.
    """
    if unit == "h":
        if isinstance(value, str) and ":" in value:
            raise QuantityError(
                f'"{value}" has minutes but the unit is decimal hours. Write 1234.5, or give hh:mm as the unit.'
            )
        return parse_amount(value) if isinstance(value, str) else _finite(value)
    if unit != "hh:mm":
        raise QuantityError(f'"{unit}" is not an hour format. Allowed: h, hh:mm. Choose one of these.')
    match = _HOURS_AND_MINUTES.fullmatch(_plain(value)) if isinstance(value, str) else None
    if match is None or int(match[2]) >= _MINUTES_PER_HOUR:
        raise QuantityError(
            f'"{value}" is not hours and minutes. Allowed: 1234:30, minutes 00 to 59. Type it again.'
        )
    return int(match[1].replace(" ", "")) + int(match[2]) / _MINUTES_PER_HOUR


def _plain(text: str) -> str:
    return text.translate(_SPACES).strip()


def parse_amount(text: str) -> float:
    """Return the number in a text typed by a person.

    A point marks the decimals and a space may group thousands. A comma is refused, because "57,000" means a
    thousand times more in one country than in the next; so are "nan", "inf" and powers of ten.

    Raises:
        QuantityError: the text is not such a number.
    """
    plain = _plain(text)
    if "," in plain:
        raise QuantityError(f'"{text}" has a comma, which could mean two things. Write 57000 or 57.5.')
    if not _AMOUNT.fullmatch(plain):
        raise QuantityError(
            f'"{text}" is not a number. Allowed: digits with a decimal point, such as 57000 or 57.5.'
        )
    return _finite(float(plain.replace(" ", "")))
