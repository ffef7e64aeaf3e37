"""Severity: reference calculations, and the doubling that published oil-life rules give."""

from datetime import date

import numpy as np
import pytest

from intervals.duty import (
    FACTORS,
    FactorSpan,
    factors_on,
    guess_hours,
    severity_from_duty,
    severity_from_temperature_hours,
    severity_of,
    step_severity,
)
from intervals.errors import RuleError


def test_reference_calculation_from_temperature_hours() -> None:
    """Reference calculation: S 1.2626 brings 60 000 km to 47 522."""
    severity = severity_from_temperature_hours([0.50, 0.28, 0.13, 0.06, 0.03], [74, 86, 96, 106, 114])
    assert severity == pytest.approx(1.2626, abs=5e-5)
    assert 60_000 / severity == pytest.approx(47_522, abs=1)


def test_reference_calculation_from_duty() -> None:
    """Reference calculation: towing 1.3 on hills 1.15 is 1.495 and brings 60 000 km to 40 134."""
    by_key = {factor.key: factor.value for factor in FACTORS}
    severity = severity_from_duty([by_key["towing"], by_key["hills"]])
    assert severity == pytest.approx(1.495)
    assert 60_000 / severity == pytest.approx(40_134, abs=0.5)


def test_heat_doubles_severity_about_every_ten_degrees() -> None:
    """Arrhenius with the 90 kJ/mol usual for lubricants gives 2.22 per 10 °C at 90; the rule of thumb says 2.

    J. Fitch, Practicing Oil Analysis: twice as fast for each 10 °C (18 °F). Ours doubles in 11.1 °C (20 °F).
    """
    assert severity_from_temperature_hours([1.0], [85.0]) == 1.0
    ratio = severity_from_temperature_hours([1.0], [100.0]) / severity_from_temperature_hours([1.0], [90.0])
    assert 1.56 < ratio < 2.0
    assert severity_from_temperature_hours([1.0], [20.0]) == 0.6


def test_duty_is_held_within_its_limits() -> None:
    assert severity_from_duty([]) == 1.0
    assert severity_from_duty([2.0, 1.5, 1.5]) == 3.0
    assert severity_from_duty([0.85, 0.7]) == 0.7
    assert all(factor.source for factor in FACTORS)
    known = [factor for factor in FACTORS if factor.value is not None]
    assert all(factor.low <= factor.value <= factor.high for factor in known)
    assert {factor.key for factor in FACTORS} - {factor.key for factor in known} == {
        "cold", "high speed", "cross-country", "long hours",
    }  # fmt: skip


def test_only_one_source_counts() -> None:
    """Reference calculation: measured brings 60 000 km to 47 522; with the duty factors on top it would be 31 787."""
    day = date(2026, 3, 2)
    spans = [
        FactorSpan("towing", 1.3, day),
        FactorSpan("hills", 1.15, day),
        FactorSpan("fluid temperature", 1.2626, day, is_measured=True),
    ]
    assert 60_000 / severity_of(factors_on(spans, day)) == pytest.approx(47_522, abs=2)
    assert 60_000 / severity_of(factors_on(spans[:2], day)) == pytest.approx(40_134, abs=0.5)
    assert pytest.approx(31_787, abs=1) == 60_000 / (1.2626 * 1.495)


def test_severity_moves_slowly_and_on_evidence() -> None:
    assert step_severity(1.0, 1.5, 1) == 1.0
    assert step_severity(1.0, 1.5, 2) == pytest.approx(1.15)
    assert step_severity(1.0, 0.5, 2) == pytest.approx(0.85)
    assert step_severity(1.0, 1.1, 6) == 1.1


def test_hours_from_distance() -> None:
    """US Army TM 9-2320-280-10 pairs 6 000 mi with 300 h for the transmission: 32.2 km/h of engine hours."""
    found = guess_hours(np.array([6_000 * 1.609344, 9_000.0]), np.array([32.18688, 18.0]))
    assert found == pytest.approx([300, 500])


def test_unusable_figures_are_refused() -> None:
    attempts = (
        lambda: severity_from_temperature_hours([0.5, 0.4], [80, 90]),
        lambda: severity_from_temperature_hours([1.0], [80, 90]),
        lambda: severity_from_temperature_hours([1.5, -0.5], [80, 90]),
        lambda: severity_from_temperature_hours([], []),
        lambda: severity_from_duty([0.0]),
        lambda: step_severity(0.0, 1.0, 3),
        lambda: guess_hours(np.array([1.0]), np.array([0.0])),
    )
    for attempt in attempts:
        with pytest.raises(RuleError, match=r"Allowed|Give as many"):
            attempt()
