import math

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from intervals.errors import QuantityError
from intervals.exchange.drain import kinematic_viscosity
from intervals.exchange.fluid_kinds import (
    BRAKE_FLUID,
    BRAKE_FLUID_GRADES,
    BRAKE_GROWTH_LIMIT_PER_C,
    BRAKE_GROWTH_PER_C,
    COOLANT,
    FLUID_KINDS,
    OIL,
    WET_WATER_SHARE_BY_WEIGHT,
    coolant_density_kg_m3,
    fluid_kind,
    litres_at_base,
    volume_factor,
)
from intervals.exchange.volumes import ctl_lubricating_oil

LBM_FT3 = 16.018463


def reference_density(strength, temp_c):
    """Density of ethylene glycol and water by volume share, CoolProp's fit to the ASHRAE data, kg/m³."""
    return PropsSI("D", "T", temp_c + 273.15, "P", 5e5, f"INCOMP::AEG[{strength:.4f}]")


# ASHRAE Handbook Fundamentals, density of aqueous ethylene glycol, lb/ft³ by volume share and °F.
@pytest.mark.parametrize(
    ("temp_f", "densities"),
    [
        (0, {0.4: 66.97, 0.5: 67.90, 0.6: 68.78}),
        (40, {0.2: 64.66, 0.3: 65.66, 0.5: 67.47, 0.7: 69.10}),
        (100, {0.2: 63.93, 0.4: 65.73, 0.5: 66.55, 0.6: 67.32}),
        (160, {0.2: 62.86, 0.4: 64.54, 0.5: 65.30, 0.7: 66.66}),
        (200, {0.3: 62.79, 0.5: 64.27, 0.6: 64.93}),
        (220, {0.2: 61.45, 0.5: 63.70, 0.7: 64.93}),
    ],
)
def test_coolant_density_follows_the_handbook_table(temp_f, densities):
    for strength, lbm_ft3 in densities.items():
        got = coolant_density_kg_m3((temp_f - 32.0) / 1.8, strength)
        assert got == pytest.approx(lbm_ft3 * LBM_FT3, abs=0.4)


# Reference library: CoolProp, aqueous ethylene glycol by volume. Its densities lie 0.1 % lower, the growth agrees.
@pytest.mark.parametrize("strength", [0.2, 0.3, 0.4, 0.5, 0.6])
@pytest.mark.parametrize("temp_c", [0.0, 20.0, 40.0, 60.0, 80.0, 99.0])
def test_coolant_density_and_growth_agree_with_the_property_library(strength, temp_c):
    reference = reference_density(strength, temp_c)
    assert coolant_density_kg_m3(temp_c, strength) == pytest.approx(reference, rel=0.0015)
    factor = reference / reference_density(strength, 20.0)
    assert volume_factor(COOLANT, temp_c, strength) == pytest.approx(factor, abs=1.5e-4)


# CoolProp 8.0.0, 50 % by volume: 1073.35 kg/m³ at 20 °C and 1038.46 at 80 °C, factor 0.967494. Melinder's data for
# 50 % by mass, about 47 % by volume, give 0.963826: another measurement, 0.4 % of the volume away.
def test_half_and_half_coolant_shrinks_by_a_thirtieth_from_hot_to_cold():
    assert volume_factor(COOLANT, 80.0) == pytest.approx(0.967494, abs=1.5e-4)
    assert volume_factor(COOLANT, 80.0, 0.47) == pytest.approx(
        PropsSI("D", "T", 353.15, "P", 5e5, "INCOMP::MEG[0.5]")
        / PropsSI("D", "T", 293.15, "P", 5e5, "INCOMP::MEG[0.5]"),
        abs=0.0045,
    )


# Reference library: CoolProp, viscosity over density at 50 % by volume.
def test_typical_coolant_figures_are_those_of_half_and_half():
    typical = fluid_kind(COOLANT)
    assert typical.source == "typical"
    assert typical.density15_kg_m3 == pytest.approx(reference_density(0.5, 15.0), rel=0.0015)
    for temp_c, kv in ((40.0, typical.kv40_mm2_s), (100.0, typical.kv100_mm2_s)):
        dynamic = PropsSI("V", "T", temp_c + 273.15, "P", 5e5, "INCOMP::AEG[0.5]")
        assert kv == pytest.approx(1e6 * dynamic / reference_density(0.5, temp_c), rel=0.02)


# API MPMS 11.1 / ASTM D1250 through the existing factor, base moved from 60 °F to 20 °C.
@pytest.mark.parametrize("temp_c", [-20.0, 20.0, 70.0, 100.0])
def test_oil_keeps_the_petroleum_standard(temp_c):
    expected = ctl_lubricating_oil(temp_c, 870.0) / ctl_lubricating_oil(20.0, 870.0)
    assert volume_factor(OIL, temp_c, density_kg_m3=870.0) == pytest.approx(expected)
    assert volume_factor(OIL, temp_c) == volume_factor(OIL, temp_c, density_kg_m3=850.0)


# From memory: glycol-ether brake fluids grow by 0.0008 to 0.0010 per °C.
def test_brake_fluid_growth_covers_what_is_reported():
    for reported in (0.0008, 0.0009, 0.0010):
        assert abs(reported - BRAKE_GROWTH_PER_C) <= BRAKE_GROWTH_LIMIT_PER_C
    assert volume_factor(BRAKE_FLUID, 80.0) == pytest.approx(1.0 / 1.054)
    assert litres_at_base(BRAKE_FLUID, 2.0, 80.0) == pytest.approx(2.0 / 1.054)


# 49 CFR 571.116 (FMVSS 116), S5.1.1 to S5.1.3, in °C and in the °F printed beside them.
@pytest.mark.parametrize(
    ("grade", "dry_c", "wet_c", "dry_f", "wet_f", "kv_cold"),
    [
        ("DOT 3", 205, 140, 401, 284, 1500),
        ("DOT 4", 230, 155, 446, 311, 1800),
        ("DOT 5", 260, 180, 500, 356, 900),
        ("DOT 5.1", 260, 180, 500, 356, 900),
    ],
)
def test_brake_fluid_grades_have_the_standards_limits(grade, dry_c, wet_c, dry_f, wet_f, kv_cold):
    row = BRAKE_FLUID_GRADES[grade]
    assert (row.dry_boiling_least_c, row.wet_boiling_least_c) == (dry_c, wet_c)
    assert 1.8 * row.dry_boiling_least_c + 32.0 == pytest.approx(dry_f)
    assert 1.8 * row.wet_boiling_least_c + 32.0 == pytest.approx(wet_f)
    assert (row.kv_minus40_most_mm2_s, row.kv100_least_mm2_s) == (kv_cold, 1.5)
    assert row.is_silicone == (grade == "DOT 5")
    assert WET_WATER_SHARE_BY_WEIGHT == 0.037  # S6.2: 3.70 ± 0.05 % of water by weight


# FMVSS 116, S5.1.3, through the viscosity line of ASTM D341.
def test_the_typical_brake_fluid_is_within_the_viscosity_limits_of_dot_4():
    typical, limits = fluid_kind(BRAKE_FLUID), BRAKE_FLUID_GRADES["DOT 4"]
    assert typical.kv100_mm2_s >= limits.kv100_least_mm2_s
    cold = kinematic_viscosity(-40.0, typical.kv40_mm2_s, typical.kv100_mm2_s)
    assert cold == pytest.approx(1200.0, rel=0.02)
    assert cold <= limits.kv_minus40_most_mm2_s


@given(
    st.sampled_from(sorted(FLUID_KINDS)), st.floats(-30.0, 114.0), st.floats(0.1, 30.0), st.floats(0.0, 500.0)
)
def test_every_kind_shrinks_steadily_towards_20_degrees(kind, temp_c, warmer, litres):
    hot_c = min(temp_c + warmer, 115.0)
    assert volume_factor(kind, hot_c) < volume_factor(kind, temp_c)
    assert volume_factor(kind, 20.0) == pytest.approx(1.0)
    # From memory: near freezing glycol and water grow by about 0.02 % per °C, light solvents by about 0.13 %.
    slope = math.log(volume_factor(kind, temp_c) / volume_factor(kind, hot_c)) / (hot_c - temp_c)
    assert 0.00015 < slope < 0.0013
    assert litres_at_base(kind, litres, temp_c) == pytest.approx(litres * volume_factor(kind, temp_c))


@pytest.mark.parametrize(
    ("kind", "temp_c", "strength", "words"),
    [
        (COOLANT, 116.0, 0.5, "outside -30 to 115"),
        (COOLANT, math.nan, 0.5, "outside -30 to 115"),
        (COOLANT, 20.0, 0.8, "80 % is outside 20 to 70 %"),
        (COOLANT, 20.0, math.nan, "outside 20 to 70 %"),
        (BRAKE_FLUID, 1000.0, None, "outside -40 to 150"),
        (OIL, 1000.0, None, "outside -50 to 150"),
        ("water", 20.0, None, "no kind of fluid"),
    ],
)
def test_figures_outside_a_law_are_refused_with_one_sentence(kind, temp_c, strength, words):
    with pytest.raises(QuantityError, match=words):
        volume_factor(kind, temp_c, strength)


@pytest.mark.parametrize("litres", [-0.1, math.nan, math.inf])
def test_unusable_litres_are_refused(litres):
    with pytest.raises(QuantityError, match="not usable"):
        litres_at_base(COOLANT, litres, 20.0)
