"""A made-up fleet of any size in an empty database, for measuring."""

import datetime
from collections.abc import Iterable, Iterator
from typing import TypeVar

import numpy as np
from django.db import models

from shop import clock
from shop.models import (
    CardFigure,
    Depot,
    Fitting,
    IntervalRule,
    LastService,
    Meter,
    Product,
    Reading,
    RuleVersion,
    Unit,
    UnitModel,
    Vehicle,
)

Row = TypeVar("Row", bound=models.Model)

READINGS = 12
AT_ONCE = 5_000
KINDS = (
    # model, kind of unit, interval km, months, total fill
    ("BOX", UnitModel.Kind.AUTOMATIC, 60_000.0, 48, 11.0),
    ("AXLE", UnitModel.Kind.AXLE, 80_000.0, 48, 2.2),
    ("ENGINE", UnitModel.Kind.ENGINE, 30_000.0, 12, 6.8),
)


def fleet_build(vehicles: int, as_of: datetime.date, seed: int = 1) -> Depot:
    """Fill an empty database with vehicles of three units and twelve weekly readings each, and return their depot."""
    depot = Depot.objects.create(code="MADE", name="Made-up yard")
    depot.refresh_from_db()
    unit_models = [_model(*kind) for kind in KINDS]
    rng = np.random.default_rng(seed)
    for first in range(0, vehicles, AT_ONCE):
        _build_some(depot, unit_models, first, min(AT_ONCE, vehicles - first), as_of, rng)
    return depot


def _model(code: str, kind: str, interval_km: float, months: int, total_l: float) -> UnitModel:
    product = Product.objects.create(code=f"FLUID-{code}", name=f"Fluid for {code.lower()}")
    model = UnitModel.objects.create(
        code=code, name=code.capitalize(), kind=kind, methods=["drain-and-refill"], product=product
    )
    CardFigure.objects.bulk_create(
        CardFigure(unit_model=model, figure=figure, value=value, measured_in="L", source="house")
        for figure, value in (("total_fill_l", total_l), ("quick_drain_l", 0.9 * total_l))
    )
    rule = IntervalRule.objects.create(unit_model=model)
    RuleVersion.objects.create(
        rule=rule, applies_from=datetime.date(2018, 1, 1), interval_km=interval_km, interval_months=months
    )
    return model


def _build_some(
    depot: Depot,
    unit_models: list[UnitModel],
    first: int,
    count: int,
    as_of: datetime.date,
    rng: np.random.Generator,
) -> None:
    vehicles = _made(
        Vehicle,
        (
            Vehicle(depot=depot, number=f"M{first + n:07}", name="Made-up van", kind="van")
            for n in range(count)
        ),
    )
    meters = _made(Meter, (Meter(vehicle=vehicle, kind="odometer", shown_in="km") for vehicle in vehicles))
    per_day, total = rng.uniform(40.0, 220.0, count), rng.uniform(20_000.0, 300_000.0, count)
    steps = np.cumsum(rng.gamma(16.0, 7.0 / 16.0, (count, READINGS)) * per_day[:, None], axis=1)
    late = rng.integers(0, 7, count)
    _made(Reading, _readings(meters, total, steps, late, as_of))
    fittings, services = [], []
    for model, (_, _, interval_km, months, _) in zip(unit_models, KINDS, strict=True):
        own = _made(
            Unit, (Unit(code=f"{vehicle.number}-{model.code}", unit_model=model) for vehicle in vehicles)
        )
        used = rng.uniform(0.0, 1.05, count)
        for place, unit in enumerate(own):
            now = total[place] + steps[place, -1]
            done_on = as_of - datetime.timedelta(days=int(used[place] * months * 30))
            fittings.append(Fitting(unit=unit, vehicle=vehicles[place], position=model.code.lower()))
            services.append(
                LastService(unit=unit, done_on=done_on, unit_km=max(0.0, now - used[place] * interval_km))
            )
    _made(Fitting, fittings)
    _made(LastService, services)


def _readings(
    meters: list[Meter], total: np.ndarray, steps: np.ndarray, late: np.ndarray, as_of: datetime.date
) -> Iterator[Reading]:
    for place, meter in enumerate(meters):
        for week in range(READINGS):
            day = as_of - datetime.timedelta(days=int(7 * (READINGS - 1 - week) + late[place]))
            value = round(float(total[place] + steps[place, week]), 1)
            yield Reading(
                meter=meter, read_at=clock.local_instant(day, datetime.time(6), "Europe/Berlin"), read_on=day,
                source=Reading.Source.TELEMATICS, raw_value=value, raw_text=f"{value:g}", true_total=value,
            )  # fmt: skip


def _made(model: type[Row], rows: Iterable[Row]) -> list[Row]:
    return list(model._default_manager.bulk_create(rows, batch_size=AT_ONCE))
