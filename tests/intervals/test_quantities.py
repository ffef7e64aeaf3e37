"""Conversions against the exact definitions of the units."""

import pytest

from intervals.errors import QuantityError
from intervals.quantities import (
    KM_PER_UNIT,
    L_PER_UNIT,
    from_km,
    from_l,
    parse_amount,
    pressure_kpa,
    to_h,
    to_km,
    to_l,
    torque_n_m,
)


def test_factors_are_the_legal_definitions() -> None:
    """NIST Handbook 44, appendix C: US liquid gallon 231 in³, inch 25.4 mm, mile 5280 ft; from memory.

    Imperial gallon 4.54609 L: Units of Measurement Regulations 1995 (UK), from memory.
    """
    inch_dm = 0.254
    assert to_l(1, "US gal") == pytest.approx(231 * inch_dm**3, rel=1e-12)
    assert to_l(4, "US qt") == pytest.approx(to_l(1, "US gal"), rel=1e-12)
    assert to_l(1, "imp gal") == pytest.approx(4.54609, rel=1e-12)
    assert to_l(4, "imp qt") == pytest.approx(4.54609, rel=1e-12)
    assert to_km(1, "mi") == pytest.approx(5280 * 12 * 25.4e-6, rel=1e-12)
    # Pound-force: 0.45359237 kg at 9.80665 m/s², both exact.
    pound_force_n = 0.45359237 * 9.80665
    assert torque_n_m(1, "lbf·ft") == pytest.approx(pound_force_n * 0.3048, rel=1e-12)
    assert torque_n_m(12, "lbf·in") == pytest.approx(pound_force_n * 0.3048, rel=1e-12)
    assert pressure_kpa(1, "psi") == pytest.approx(pound_force_n / 0.0254**2 / 1000, rel=1e-12)
    assert pressure_kpa(1, "bar") == pytest.approx(100, rel=1e-12)


def test_reference_calculation_of_quarts_and_gallons() -> None:
    """Reference calculation: 10.1 L is 2.668 US gal; ten US quarts fall 0.64 L short, ten imperial are 1.27 over."""
    assert from_l(10.1, "US gal") == pytest.approx(2.668, abs=0.0005)
    assert 10.1 - to_l(10, "US qt") == pytest.approx(0.64, abs=0.005)
    assert to_l(10, "imp qt") - 10.1 == pytest.approx(1.27, abs=0.006)
    assert torque_n_m(1, "lbf·ft") == pytest.approx(1.355818, abs=5e-7)
    assert pressure_kpa(1, "psi") == pytest.approx(6.894757, abs=5e-7)


@pytest.mark.parametrize("value", [0.1, 10.1, 61_250.0, 412_300.7])
def test_there_and_back_is_the_same(value: float) -> None:
    for unit in L_PER_UNIT:
        assert to_l(from_l(value, unit), unit) == pytest.approx(value, rel=1e-12)
    for unit in KM_PER_UNIT:
        assert to_km(from_km(value, unit), unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("unit", ["gal", "qt", "gallon", "quart"])
def test_a_gallon_without_its_country_is_refused_with_the_remedy(unit: str) -> None:
    with pytest.raises(QuantityError, match=r"two sizes.*US .* or imp "):
        to_l(1, unit)


def test_unknown_units_and_amounts_are_refused() -> None:
    for attempt in (lambda: to_km(1, "miles"), lambda: to_l(1, "km"), lambda: to_h(1, "min")):
        with pytest.raises(QuantityError, match="Allowed"):
            attempt()
    for value in (float("nan"), float("inf")):
        with pytest.raises(QuantityError, match="not an amount"):
            to_km(value, "km")


def test_hour_meters_of_both_kinds() -> None:
    """Reference calculation: 1234:30 is 1 234.5 h; 1 234.30 on a decimal meter is 1 234.3."""
    assert to_h("1234:30", "hh:mm") == 1234.5
    assert to_h("1 234:30", "hh:mm") == 1234.5
    assert to_h("1 234.30", "h") == 1234.3
    assert to_h(1234.3, "h") == 1234.3
    for value, unit in (
        ("1234:60", "hh:mm"),
        ("1234.5", "hh:mm"),
        (1234.5, "hh:mm"),
        ("1234:30", "h"),
        ("12:5", "hh:mm"),
    ):
        with pytest.raises(QuantityError):
            to_h(value, unit)


def test_typed_amounts() -> None:
    assert parse_amount(" 57 000 ") == 57_000
    assert parse_amount("57\u202f000.5") == 57_000.5
    assert parse_amount("-8") == parse_amount("\u22128") == -8
    for text in ("", "nan", "inf", "1e5", "57,000", "57,5", "1_000", "0x10", "5 7000", "٣", "1.", "9" * 400):
        with pytest.raises(QuantityError):
            parse_amount(text)
