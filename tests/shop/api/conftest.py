"""Two depots that must never see each other, and a client that keeps its session."""

import datetime
from dataclasses import dataclass

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from shop import clock
from shop.models import (
    CardFigure,
    DailyRun,
    Depot,
    DueLine,
    Fitting,
    IntervalRule,
    Job,
    KitPart,
    LastService,
    Meter,
    Pack,
    Person,
    Product,
    ProposedLine,
    Reading,
    RuleVersion,
    StockItem,
    Supplier,
    Unit,
    UnitModel,
    Vehicle,
)

NOW = datetime.datetime(2026, 3, 9, 7, 0, tzinfo=datetime.UTC)
TODAY = NOW.date()


@dataclass
class Place:
    """One depot with one vehicle, its unit and a row of everything the API shows."""

    depot: Depot
    vehicle: Vehicle
    unit: Unit
    line: DueLine
    reading: Reading
    job: Job
    run: DailyRun
    proposed: ProposedLine


@pytest.fixture(autouse=True)
def _held_clock():
    clock.pin(NOW)
    cache.clear()
    yield
    clock.pin(None)


@pytest.fixture
def unit_model(db):
    """A box with the parts of its fill known, one method and one rule."""
    product = Product.objects.create(code="ATF-1", name="Gearbox fluid", density15_kg_m3=850)
    model = UnitModel.objects.create(
        code="TB6",
        name="Six-speed box",
        kind="automatic gearbox",
        methods=["drain-and-refill", "overnight drain", "cooler-line exchange"],
        house_method="overnight drain + cooler-line exchange",
        target_share=0.75,
        plug_seal="crush washer",
        filter_kind="none",
        product=product,
    )
    figures = {
        "total_fill_l": 11.2, "quick_drain_l": 3.6, "overnight_drain_l": 6.1, "sump_l": 4.0, "converter_l": 3.2,
        "cooler_l": 0.9, "passages_l": 3.1, "heel_l": 0.4, "converter_drainback_l": 0.9,
        "passages_drainback_l": 1.6, "pickup_l": 1.4, "swirl_l": 0.3, "cooler_flow_l_per_min": 2.5,
    }  # fmt: skip
    for name, value in figures.items():
        CardFigure.objects.create(
            unit_model=model, figure=name, value=value, measured_in="L", source="house", note="weighed"
        )
    KitPart.objects.create(
        unit_model=model, part="WASHER-22", quantity=1, condition="plug seal", condition_value="crush washer"
    )
    rule = IntervalRule.objects.create(unit_model=model)
    RuleVersion.objects.create(rule=rule, applies_from="2020-01-01", interval_km=60_000, interval_months=48)
    return model


def build(depot: Depot, number: str, model: UnitModel) -> Place:
    """Fill a depot with one row of everything."""
    vehicle = Vehicle.objects.create(depot=depot, number=number, name=f"Bus {number}", kind="bus")
    unit = Unit.objects.create(code=f"{number}-TB6", unit_model=model)
    Fitting.objects.create(unit=unit, vehicle=vehicle, position="gearbox")
    meter = Meter.objects.create(vehicle=vehicle, kind="odometer", shown_in="km", class_rate_per_day=150)
    reading = None
    for days_ago, km in ((60, 91_000.0), (30, 95_500.0), (1, 99_850.0)):
        at = NOW - datetime.timedelta(days=days_ago)
        reading = Reading.objects.create(
            meter=meter, read_at=at, read_on=at.date(), source="workshop", raw_text=f"{km:.0f}", raw_value=km,
            true_total=km,
        )  # fmt: skip
    LastService.objects.create(unit=unit, done_on="2025-01-14", unit_km=42_000, fresh_share=0.32)
    line = DueLine.objects.create(
        unit=unit, rule=model.rules.get(), vehicle=vehicle, state="window open", clock="distance",
        used_share=0.96, due_on="2026-03-22", due_low_on="2026-03-18", due_high_on="2026-03-26",
        book_by="2026-03-17", due_clock="distance", worked_out_for=TODAY,
    )  # fmt: skip
    job = Job.objects.create(
        code=f"{number}-J1", unit=unit, vehicle=vehicle, state="handed back", done_on="2025-01-14", in_l=3.6
    )
    run = DailyRun.objects.create(
        depot=depot,
        as_of=TODAY,
        state="done",
        started_at=NOW,
        finished_at=NOW,
        steps={"due lines": {"rows": 1}},
    )
    supplier, _ = Supplier.objects.get_or_create(
        code="S1", defaults={"name": "=Seller", "lead_working_days": 2}
    )
    Pack.objects.get_or_create(
        supplier=supplier, product=model.product, printed="20 L", defaults={"size_l": 20, "price": "150.00"}
    )
    proposed = ProposedLine.objects.create(
        depot=depot, product=model.product, supplier=supplier, when="order today", need_l=31.2, free_l=-2.5,
        net_l=33.7, order_l=40, cost="300.00", left_over_l=6.3, latest_order_day=TODAY,
        facts={"packs": [{"count": 2, "printed": "20 L"}]}, sentence=f"Order two packs for {number}.",
        worked_out_for=TODAY,
    )  # fmt: skip
    StockItem.objects.create(
        depot=depot, product=model.product, label="A1", pack_size_l=20, on_shelf_l=20, batch="B7"
    )
    return Place(depot, vehicle, unit, line, reading, job, run, proposed)


@pytest.fixture
def north(unit_model):
    """The depot our people see."""
    depot = Depot.objects.create(code="NORTH", name="North yard", time_zone="Europe/Berlin")
    return build(depot, "K01", unit_model)


@pytest.fixture
def south(unit_model):
    """A depot they do not see."""
    return build(Depot.objects.create(code="SOUTH", name="South yard"), "K90", unit_model)


@pytest.fixture
def signed_in(north):
    """Return a function that signs a person of the north depot in by role."""

    def sign_in(role: str = "foreman") -> APIClient:
        person = Person.objects.create_user(username=f"a-{role}", role=role)
        person.depots.add(north.depot)
        client = APIClient()
        client.force_login(person)
        client.person = person
        return client

    return sign_in


@pytest.fixture
def foreman(signed_in):
    """A client of somebody who may do everything in the north depot."""
    return signed_in("foreman")
