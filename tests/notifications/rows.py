"""Small hand-made records for the mail tests; every call adds rows with names of its own."""

import datetime
import itertools
from typing import Any

from shop.models import (
    Depot,
    DueLine,
    Fitting,
    IntervalRule,
    Job,
    LastService,
    Meter,
    Person,
    Product,
    ProposedLine,
    Reading,
    RuleVersion,
    Supplier,
    Unit,
    UnitModel,
    Vehicle,
    WasteTank,
)

DAY = datetime.date(2026, 3, 2)
MORNING = datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)
_numbers = itertools.count(1)


def a_depot(code: str = "UY", **more: Any) -> Depot:
    return Depot.objects.create(code=code, name=f"Yard {code}", **({"time_zone": "Europe/Berlin"} | more))


def a_person(*depots: Depot, **more: Any) -> Person:
    username = more.pop("username", f"person{next(_numbers)}")
    told = {"email": f"{username}@shop.example", "gets_daily_mail": True} | more
    person = Person.objects.create(username=username, **told)
    person.depots.set(depots)
    return person


def a_line(depot: Depot, state: str = "late", **more: Any) -> DueLine:
    number = next(_numbers)
    model, _ = UnitModel.objects.get_or_create(
        code="TB6", defaults={"name": "box", "kind": "automatic gearbox"}
    )
    rule, _ = IntervalRule.objects.get_or_create(unit_model=model, subject="fluid")
    RuleVersion.objects.get_or_create(rule=rule, applies_from="2020-01-01", interval_km=60_000)
    vehicle = Vehicle.objects.create(depot=depot, number=f"V{number:04}", name="van", kind="van")
    unit = Unit.objects.create(code=f"V{number:04}-TB6", unit_model=model)
    Fitting.objects.create(unit=unit, vehicle=vehicle, position="gearbox")
    read_on = more.get("counted_from", DAY)
    meter = Meter.objects.create(
        vehicle=vehicle, kind=Meter.Kind.ODOMETER, shown_in="km", class_rate_per_day=100
    )
    at = datetime.datetime.combine(read_on, MORNING.time(), datetime.UTC)
    Reading.objects.create(
        meter=meter, read_at=at, read_on=read_on, source="workshop", raw_text="70514", raw_value=70_514.0,
        true_total=70_514.0,
    )  # fmt: skip
    if state != "cannot say":
        LastService.objects.create(unit=unit, done_on="2024-01-01", unit_km=0)
    return DueLine.objects.create(
        unit=unit, rule=rule, vehicle=vehicle, state=state, worked_out_for=DAY, **more
    )


def a_job(line: DueLine, state: str, **more: Any) -> Job:
    return Job.objects.create(
        code=f"J{next(_numbers)}", unit=line.unit, vehicle=line.vehicle, state=state, **more
    )


def an_asked_reading(line: DueLine, raw: str, guess: float | None) -> Reading:
    meter = Meter.objects.create(vehicle=line.vehicle, kind=Meter.Kind.HOURS, shown_in="h")
    return Reading.objects.create(
        meter=meter, read_at=MORNING, read_on=DAY, source="driver", raw_text=raw, raw_value=float(raw),
        status="asked", question="Is this right?", guess_value=guess,
    )  # fmt: skip


def an_order(depot: Depot, when: str = "order today", **more: Any) -> ProposedLine:
    number = next(_numbers)
    product = Product.objects.create(code=f"F{number}", name="fluid")
    supplier = Supplier.objects.create(
        code=f"S{number}", name="Brinnock Oils", lead_working_days=4, cut_off=datetime.time(14)
    )
    facts = {"packs": [{"count": 1, "printed": "60 L"}], "jobs": [{"vehicle": "V1"}, {"vehicle": "V1"}]}
    return ProposedLine.objects.create(
        depot=depot, product=product, supplier=supplier, when=when, need_l=79.7, free_l=23.0, net_l=56.7,
        order_l=60.0, facts=facts | more.pop("facts", {}), sentence="why", worked_out_for=DAY, **more,
    )  # fmt: skip


def a_tank(depot: Depot, level_l: float, stream: str = "used oil") -> WasteTank:
    return WasteTank.objects.create(
        depot=depot, stream=stream, capacity_l=1000, level_l=level_l, mean_per_day_l=42, sd_per_day_l=24,
        collector_lead_days=5,
    )  # fmt: skip
