import math

import pytest

from intervals.errors import QuantityError
from intervals.exchange.volumes import ctl_lubricating_oil, litres_from_kg, volume_at
from tests.intervals.exchange.d1250_2004 import WATER_KG_M3, ctl


def api(gravity):
    return 141.5 / (gravity + 131.5) * WATER_KG_M3


# Worked examples 1 to 6 of API MPMS 11.1-2004, section 11.1.6.1, as transcribed in the tests of m2b/API11_1VCF.
@pytest.mark.parametrize(
    ("group", "temp_f", "rho60", "t_star", "rho_star", "alpha", "factor"),
    [
        ("crude", -27.7, api(17.785), -27.712499233089, 946.921215770785, 0.000380407044, 1.033011591958),
        ("crude", 301.93, api(-10), 301.993163042978, 1163.46509372, 0.000251982006, 0.938051116886),
        ("fuel oil", 48.04, api(19.4), 48.043878159606, 936.787006219757, 0.000406689168, 1.004858068990),
        (
            "jet",
            85.0,
            0.7943 * WATER_KG_M3,
            85.013358222928,
            793.521270459968,
            0.000524557068,
            0.986832406683,
        ),
        ("transition", 55.9, api(48.0015), 55.905838569594, 787.521450184768, 0.000532585048, 1.002182725702),
        ("gasoline", 27.3, 657.3, 27.298898616759, 657.303689061482, 0.000816362130, 1.026475833518),
    ],
)
def test_the_2004_engine_reproduces_the_standards_own_examples(
    group, temp_f, rho60, t_star, rho_star, alpha, factor
):
    got = ctl(group, temp_f, rho60)
    assert got == pytest.approx((t_star, rho_star, alpha, factor), rel=1e-9)


# Independent check: the 2004 edition against the closed form used here. The closed form belongs to the IPTS-68 scale,
# so it is fed the shifted temperature; taking the thermometer as it is costs less than 2e-5.
@pytest.mark.parametrize("density", [801.0, 830.0, 850.0, 880.0, 950.0, 1000.0])
@pytest.mark.parametrize("temp_c", [-40.0, -20.0, 0.0, 20.0, 40.0, 60.0, 80.0, 100.0])
def test_the_closed_form_agrees_with_the_2004_edition(density, temp_c):
    shifted_f, _, _, reference = ctl("lubricating oil", 1.8 * temp_c + 32.0, density)
    assert abs(ctl_lubricating_oil((shifted_f - 32.0) / 1.8, density) - reference) < 1e-5
    assert abs(ctl_lubricating_oil(temp_c, density) - reference) < 2e-5


# ASTM D1250-04 for lubricating oils, five decimals, computed with the engine checked above.
@pytest.mark.parametrize(
    ("density", "values"),
    [
        (850.0, (1.01145, 0.99301, 0.98350, 0.96686, 0.95178, 0.93660)),
        (870.0, (1.01119, 0.99317, 0.98389, 0.96763, 0.95290, 0.93808)),
        (900.0, (1.01082, 0.99340, 0.98442, 0.96872, 0.95449, 0.94017)),
    ],
)
def test_lubricating_oil_factors_match_the_2004_edition(density, values):
    for temp_f, value in zip((32.0, 77.0, 100.0, 140.0, 176.0, 212.0), values, strict=True):
        assert round(ctl("lubricating oil", temp_f, density)[3], 5) == value
        assert ctl_lubricating_oil((temp_f - 32.0) / 1.8, density) == pytest.approx(value, abs=2.5e-5)


# ASTM D1250-80 table 54D (base 15 °C, K1 0.6278), computed from the published formula.
@pytest.mark.parametrize(
    ("rho15", "values"),
    [
        (850.0, (1.025639, 1.011041, 0.996303, 0.981437, 0.966455, 0.951370, 0.936194)),
        (880.0, (1.024772, 1.010666, 0.996429, 0.982073, 0.967608, 0.953046, 0.938398)),
    ],
)
def test_volume_at_matches_table_54d(rho15, values):
    rho60 = rho15 * ctl_lubricating_oil(15.5556, rho15) / ctl_lubricating_oil(15.0, rho15)
    for temp_c, value in zip((-20.0, 0.0, 20.0, 40.0, 60.0, 80.0, 100.0), values, strict=True):
        assert volume_at(1.0, temp_c, 15.0, rho60) == pytest.approx(value, abs=2e-5)


# Reference calculation.
@pytest.mark.parametrize(
    ("temp_c", "value"),
    [
        (-20, 1.02604), (0, 1.01145), (15, 1.00041), (20, 0.99671), (40, 0.98185), (60, 0.96687),
        (70, 0.95934), (80, 0.95179), (90, 0.94421), (100, 0.93662),
    ],
)  # fmt: skip
def test_factor_at_850_kg_m3(temp_c, value):
    assert ctl_lubricating_oil(temp_c, 850.0) == pytest.approx(value, abs=5.1e-6)


# Reference calculation.
@pytest.mark.parametrize(
    ("litres", "from_c", "to_c", "expected"),
    [(6.0, 70, 15, 5.754), (10.1, 70, 18, 9.707), (4.0, 70, 20, 3.850), (11.2, 20, 80, 11.729)],
)
def test_litres_read_hot_are_fewer_litres_cold(litres, from_c, to_c, expected):
    assert volume_at(litres, from_c, to_c) == pytest.approx(expected, abs=5.1e-4)


# Engineering Toolbox, volumetric temperature expansion: oil at 0.00070 per °C (rounded, density not stated), 100 L
# from 20 to 40 °C grow 1.4 L.
def test_growth_agrees_with_a_handbook_coefficient_for_oil():
    assert volume_at(100.0, 20.0, 40.0, 900.0) - 100.0 == pytest.approx(1.4, abs=0.05)


# Reference calculation: mean coefficient per °C around the reference range.
@pytest.mark.parametrize(("density", "beta"), [(830.0, 0.000756), (850.0, 0.000739), (880.0, 0.000713)])
def test_short_cut_coefficients_hold_at_the_base_temperature(density, beta):
    slope = math.log(volume_at(1.0, 15.0, 16.0, density))
    assert slope == pytest.approx(beta, rel=0.003)


def test_weighed_oil_needs_no_temperature():
    assert litres_from_kg(5.10, 850.0) == pytest.approx(6.0)  # reference calculation


@pytest.mark.parametrize("temp_c", [-51.0, 151.0, math.nan])
def test_temperatures_outside_the_standard_are_refused(temp_c):
    with pytest.raises(QuantityError, match="outside -50 to 150"):
        ctl_lubricating_oil(temp_c, 850.0)


@pytest.mark.parametrize("density", [800.0, 1164.0, 0.85, math.nan])
def test_densities_outside_the_standard_are_refused(density):
    with pytest.raises(QuantityError, match="kg/m³"):
        ctl_lubricating_oil(20.0, density)


@pytest.mark.parametrize("volume", [-0.1, math.nan, math.inf])
def test_missing_or_negative_volumes_are_refused(volume):
    with pytest.raises(QuantityError, match="not usable"):
        volume_at(volume, 20.0, 30.0)


def test_weight_without_a_usable_density_is_refused():
    with pytest.raises(QuantityError, match="check the unit"):
        litres_from_kg(5.1, 0.85)
    with pytest.raises(QuantityError, match="net weight"):
        litres_from_kg(math.nan, 850.0)
