"""The use of a fleet in columns says what the same units say one by one."""

import datetime

import numpy as np
import pytest

from shop import clock
from shop.models import CardFigure, Depot, DueLine, LastService, Unit
from shop.selectors.fleet_use import codes_of, filled_rows, fleet_use, total
from shop.selectors.fluid_use import uses_of
from shop.selectors.steady_use import steady_uses
from tests.factories import (
    DepotFactory,
    FittingFactory,
    IntervalRuleFactory,
    ProductFactory,
    UnitFactory,
    UnitModelFactory,
    VehicleFactory,
)

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 3, 2)


@pytest.fixture(autouse=True)
def _held_clock():
    clock.pin(datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC))
    yield
    clock.pin(None)


@pytest.fixture
def depot() -> Depot:
    """Twelve units of two models: one with a figure of its own, some of which less is known."""
    depot = DepotFactory(code="MY")
    products = [
        ProductFactory(code=code, top_ups_l_per_month=litres) for code, litres in (("A", 3.0), ("B", 0.0))
    ]
    for number in range(12):
        product = products[number % 2]
        model = product.unit_models.first() or UnitModelFactory(
            code=f"M-{product.code}", product=product, kind="axle", methods=["drain-and-refill"]
        )
        for figure in ("total_fill_l", "quick_drain_l"):
            CardFigure.objects.get_or_create(
                unit_model=model,
                figure=figure,
                defaults={"value": 2.3, "measured_in": "L", "source": "maker"},
            )
        rule = model.rules.first() or IntervalRuleFactory(unit_model=model)
        # Codes run the other way than keys.
        unit = UnitFactory(code=f"U{99 - number}", unit_model=model)
        vehicle = VehicleFactory(depot=depot)
        FittingFactory(unit=unit, vehicle=vehicle)
        DueLine.objects.create(
            unit=unit, rule=rule, vehicle=vehicle, state="not yet", cycle_days=300.0 + 7 * number,
            worked_out_for=TODAY,
        )  # fmt: skip
    own = {"measured_in": "L", "source": "house"}
    for figure in ("total_fill_l", "quick_drain_l"):
        CardFigure.objects.create(unit=Unit.objects.get(code="U95"), figure=figure, value=3.7, **own)
    DueLine.objects.filter(unit__code="U93").update(cycle_days=None)
    DueLine.objects.filter(unit__code="U92").delete()
    LastService.objects.create(unit=Unit.objects.get(code="U91"), product=products[1])
    FittingFactory(unit=UnitFactory(code="U50", unit_model=Unit.objects.get(code="U91").unit_model))
    return depot


def test_each_unit_takes_what_it_takes_by_itself(depot):
    use = fleet_use([depot])
    assert len(use) == 12
    for product, rows in filled_rows(use).items():
        own, by_itself = use.of(rows), uses_of([depot], TODAY, product)
        assert codes_of([own]) == [tuple(one.unit.code for one in by_itself)]
        expected = [np.nan if (litres := one.year_l(product)) is None else litres for one in by_itself]
        assert own.year_l(product).tolist() == pytest.approx(expected, rel=0, abs=0, nan_ok=True)
        assert own.in_it.tolist() == [one.in_it.pk for one in by_itself]
        assert own.is_noted.tolist() == [one.is_in_it_noted for one in by_itself]
        assert own.is_unknown.tolist() == [one.year_l(product) is None for one in by_itself]
        assert total(own.year_l(product)) == sum(one.year_l(product) or 0.0 for one in by_itself)
        alone = fleet_use([depot], product)
        assert np.array_equal(alone.year_l(product), own.year_l(product), equal_nan=True)
    assert (int(use.is_noted.sum()), int(use.is_unknown.sum())) == (1, 2)


def test_a_figure_of_its_own_counts_for_its_unit_alone(depot):
    use = fleet_use([depot])
    (codes,) = codes_of([use])
    own, other = (codes.index(code) for code in ("U95", "U97"))
    product = use.of(np.array([own])).unit_model.product
    a_job = use.planned_l(product) / use.fills_per_year
    assert use.model[own] == use.model[other]
    assert a_job[own] > a_job[other] == a_job[codes.index("U99")]
    assert len(use.plans) == 3


def test_a_shelf_loses_what_its_units_take(depot):
    found = steady_uses(depot, TODAY)
    for product in filled_rows(fleet_use([depot])):
        by_itself = uses_of([depot], TODAY, product)
        known = [one.job_l(product) * one.fills_per_year for one in by_itself if one.fills_per_year]
        assert found[product.pk].planned_l == sum(known)
        assert found[product.pk].units_unknown == len(by_itself) - len(known)


def test_a_depot_without_a_unit_has_no_rows():
    empty = fleet_use([DepotFactory(code="ZZ")])
    assert (len(empty), empty.plans, filled_rows(empty), codes_of([])) == (0, (), {}, [])
