"""A made-up fleet of any size in an empty database, for measuring; the database makes the rows itself."""

import datetime

from django.db import connection, transaction

from shop.models import CardFigure, Depot, IntervalRule, Product, RuleVersion, UnitModel

READINGS = 12
KINDS = (
    # model, kind of unit, interval km, months, total fill
    ("BOX", UnitModel.Kind.AUTOMATIC, 60_000.0, 48, 11.0),
    ("AXLE", UnitModel.Kind.AXLE, 80_000.0, 48, 2.2),
    ("ENGINE", UnitModel.Kind.ENGINE, 30_000.0, 12, 6.8),
)
PRIME = 10_007
"""Made-up shares repeat after so many vehicles, which no measure here can notice."""


def fleet_build(vehicles: int, as_of: datetime.date) -> Depot:
    """Fill an empty database with vehicles of three units and twelve weekly readings each, and return their depot."""
    depot = Depot.objects.create(code="MADE", name="Made-up yard")
    depot.refresh_from_db()
    models = [_model(*kind) for kind in KINDS]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            "create temporary table made as with recursive t(n) as (select cast(1 as bigint) union all "
            f"select n + 1 from t where n < {vehicles}) select n, 40.0 + 180.0 * {_share(1)} as per_day, "
            f"20000.0 + 280000.0 * {_share(2)} as total, cast(n % 7 as integer) as late from t"
        )
        cursor.execute(
            "insert into shop_vehicle (number, name, kind, note, depot_id) "
            f"select {_number()}, 'Made-up van', 'van', '', {depot.pk} from made order by n"
        )
        cursor.execute(
            "insert into shop_meter (vehicle_id, kind, shown_in) select v.id, 'odometer', 'km' from shop_vehicle v"
        )
        _readings(cursor, as_of)
        for place, model in enumerate(models):
            _, _, interval_km, months, _ = KINDS[place]
            _units(cursor, model, _share(101 + place, "m.n"), interval_km, months, as_of)
        cursor.execute("drop table made")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("analyze")
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


def _readings(cursor, as_of: datetime.date) -> None:
    for week in range(READINGS):
        ago = f"{7 * (READINGS - 1 - week)} + m.late"
        # A week's use, and up to six tenths of one more or less.
        total = f"round(cast(m.total + m.per_day * 7 * ({week} + 0.6 * {_share(10 + week, 'm.n')}) as numeric), 1)"
        cursor.execute(
            "insert into shop_reading (meter_id, read_at, read_on, source, raw_text, raw_value, true_total, status, "
            f"question_code, question, answer) select t.id, {_instant(as_of, ago)}, {_day(as_of, ago)}, 'telematics', "
            f"'', {total}, {total}, 'accepted', '', '', '' from made m join shop_vehicle v on v.number = "
            f"{_number('m.n')} join shop_meter t on t.vehicle_id = v.id order by t.id"
        )


def _units(
    cursor, model: UnitModel, share: str, interval_km: float, months: int, as_of: datetime.date
) -> None:
    code = f"v.number || '-{model.code}'"
    used = f"1.05 * {share}"
    now = f"m.total + m.per_day * 7 * {READINGS - 1}"
    cursor.execute(
        "insert into shop_unit (code, unit_model_id, serial, note) "
        f"select {code}, {model.pk}, '', '' from shop_vehicle v order by v.id"
    )
    joined = f"from shop_vehicle v join shop_unit u on u.code = {code}"
    cursor.execute(
        "insert into shop_fitting (unit_id, vehicle_id, position, vehicle_km_at_fit, vehicle_h_at_fit, "
        f"unit_km_at_fit, unit_h_at_fit) select u.id, v.id, '{model.code.lower()}', 0, 0, 0, 0 {joined} order by u.id"
    )
    cursor.execute(
        "insert into shop_lastservice (unit_id, subject, done_on, unit_km, age_km, age_h, age_days, is_age_assumed, "
        f"parcels, batch) select u.id, 'fluid', {_day(as_of, f'cast({used} * {months * 30} as integer)')}, "
        f"case when {now} < {used} * {interval_km} then 0 else {now} - {used} * {interval_km} end, 0, 0, 0, "
        f"{'false' if connection.vendor == 'postgresql' else 0}, '[]', '' {joined} "
        f"join made m on {_number('m.n')} = v.number order by u.id"
    )


def _share(salt: int, n: str = "n") -> str:
    """Return the SQL of a made-up share from 0 to under 1, another for each vehicle and salt."""
    return (
        f"((({n} * {7919 + 2 * salt} + {salt} * 104729 + ({n} * {n} % 9973) * {salt}) % {PRIME}) / {PRIME}.0)"
    )


def _number(n: str = "n") -> str:
    return f"'M' || substr(cast(10000000 + {n} as text), 2)"


def _day(as_of: datetime.date, days_ago: str) -> str:
    if connection.vendor == "postgresql":
        return f"(date '{as_of}' - ({days_ago}))"
    return f"date('{as_of}', '-' || ({days_ago}) || ' days')"


def _instant(as_of: datetime.date, days_ago: str) -> str:
    day = _day(as_of, days_ago)
    return (
        f"(({day} + time '05:00') at time zone 'UTC')"
        if connection.vendor == "postgresql"
        else f"{day} || ' 05:00:00'"
    )
