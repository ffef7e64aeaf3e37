import pytest

from intervals.exchange.card import UnitCard


@pytest.fixture(scope="session")
def tb6():
    """Reference unit: an invented six-speed torque-converter automatic."""
    return UnitCard(
        total_fill_l=11.2,
        quick_drain_l=3.6,
        overnight_drain_l=6.1,
        sump_l=4.0,
        converter_l=3.2,
        cooler_l=0.9,
        passages_l=3.1,
        heel_l=0.4,
        converter_drainback_l=0.9,
        passages_drainback_l=1.6,
        pickup_l=1.4,
        swirl_l=0.3,
        cooler_flow_l_min=2.5,
        ml_per_mm=25.0,
        stick_ref_c=80.0,
        sources={"total_fill_l": "maker"},
    )
