"""A small yard whose due lines and ordering list come out of the real daily run."""

import datetime

import pytest
from django.test import Client

from shop import clock
from shop.models import (
    CardFigure,
    Depot,
    DueLine,
    IntervalRule,
    LastService,
    Person,
    RuleVersion,
    StockItem,
    Unit,
    UnitModel,
    WasteTank,
)
from shop.services.daily_run import run_steps
from tests.factories import (
    DepotFactory,
    FittingFactory,
    MeterFactory,
    PackFactory,
    PersonFactory,
    ProductFactory,
    ReadingFactory,
    UnitFactory,
    VehicleFactory,
)
from tests.lines import told_line

NOW = datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 3, 2)
CARD = {
    "total_fill_l": 11.2, "quick_drain_l": 3.6, "overnight_drain_l": 6.1, "sump_l": 4.0, "converter_l": 3.2,
    "cooler_l": 0.9, "passages_l": 3.1, "heel_l": 0.4, "converter_drainback_l": 0.9, "passages_drainback_l": 1.6,
    "pickup_l": 1.4, "swirl_l": 0.3, "cooler_flow_l_per_min": 2.5, "level_low_c": 75, "level_high_c": 85,
    "ml_per_mm": 25, "stick_ref_c": 80,
}  # fmt: skip


class Yard:
    """One depot, one unit model with a full card, and vehicles added as a test needs them."""

    def __init__(self, code: str = "UY") -> None:
        self.depot: Depot = DepotFactory(code=code, name=f"{code} yard")
        self.depot.refresh_from_db()
        self.model = UnitModel.objects.filter(code="TB6").first() or self._model()
        self.product = self.model.product
        StockItem.objects.create(
            depot=self.depot,
            product=self.product,
            label=f"{code}-A1",
            pack_size_l=20,
            on_shelf_l=20,
            batch="B-7",
        )
        WasteTank.objects.create(
            depot=self.depot, stream="used oil", capacity_l=1000, level_l=630, mean_per_day_l=42, sd_per_day_l=24,
            collector_lead_days=5,
        )  # fmt: skip

    def _model(self) -> UnitModel:
        product = ProductFactory(
            code="F01", name="ATF JASO 1-A13", density15_kg_m3=850, kv40_mm2_s=34, kv100_mm2_s=7.2
        )
        PackFactory(
            product=product, size_l=60, printed="60 L", price="429.00", supplier__name="Brinnock Oils"
        )
        model = UnitModel.objects.create(
            code="TB6", name="Six-speed automatic", kind="automatic gearbox", target_share=0.75, product=product,
            methods=["drain-and-refill", "overnight drain", "cooler-line exchange"], plug_seal="tapered thread",
            house_method="overnight drain + cooler-line exchange", level_check="stick, 0 mm at 80 °C idling",
        )  # fmt: skip
        for figure, value in CARD.items():
            CardFigure.objects.create(
                unit_model=model, figure=figure, value=value, measured_in="L",
                source="guess" if figure == "pickup_l" else "maker",
            )  # fmt: skip
        rule = IntervalRule.objects.create(unit_model=model)
        RuleVersion.objects.create(
            rule=rule, applies_from="2018-01-01", interval_km=60_000, interval_months=48
        )
        return model

    def add(self, number: str, used_km: float, per_day_km: float = 150.0, fresh_share: float = 1.0) -> Unit:
        """Add a vehicle whose gearbox has run `used_km` since its last service."""
        vehicle = VehicleFactory(depot=self.depot, number=number)
        unit = UnitFactory(code=f"{number}-TB6", unit_model=self.model)
        FittingFactory(unit=unit, vehicle=vehicle)
        meter = MeterFactory(vehicle=vehicle)
        for weeks in range(13):
            ReadingFactory(
                meter=meter,
                read_at=NOW - datetime.timedelta(days=7 * weeks, hours=4),
                raw_value=100_000 - 7 * weeks * per_day_km,
            )
        LastService.objects.create(
            unit=unit, done_on=TODAY - datetime.timedelta(days=300), unit_km=100_000 - used_km,
            fresh_share=fresh_share,
        )  # fmt: skip
        return unit

    def run(self) -> None:
        """Work out the day."""
        run = run_steps(self.depot, TODAY, is_again=True)
        assert not run.error

    def line(self, number: str) -> DueLine:
        return told_line(vehicle__number=number)


@pytest.fixture(autouse=True)
def _held_clock():
    clock.pin(NOW)
    yield
    clock.pin(None)


@pytest.fixture
def yard(db) -> Yard:
    """K02 late, K08 due, K01 window open, K13 not yet, K40 without history."""
    yard = Yard()
    for number, used_km in (
        ("K01", 57_000),
        ("K02", 70_514),
        ("K08", 61_300),
        ("K13", 20_000),
        ("K40", 1_000),
    ):
        yard.add(number, used_km)
    LastService.objects.filter(unit__code="K40-TB6").delete()
    yard.run()
    return yard


@pytest.fixture
def other_yard(yard) -> Yard:
    """A depot our people do not see."""
    other = Yard("ZY")
    other.add("Z01", 66_900)
    other.run()
    return other


@pytest.fixture
def sign_in(yard):
    """Return a function that signs in a person of the yard by role."""

    def signed_in(role: str = Person.Role.FOREMAN) -> Client:
        client = Client()
        client.force_login(PersonFactory(role=role, name=role.capitalize(), depots=[yard.depot]))
        return client

    return signed_in


@pytest.fixture
def foreman(sign_in) -> Client:
    return sign_in()
