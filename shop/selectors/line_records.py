"""The lines of some units as plain records: what `core_inputs` gathers, without an object of the database for any row.

For the words of a page of lines, where making the objects takes longer than all the rest. A record has the names of the
model it stands for, so that the same functions take both.
"""

from collections import namedtuple
from collections.abc import Collection, Mapping, Sequence
from datetime import date
from math import nan
from typing import Any

from django.db import connection

from shop.models import Season
from shop.selectors.column_reading import flag, keys_of, one_of
from shop.selectors.core_inputs import CoreInputs, in_force_by_kind, inputs_of, line_of
from shop.selectors.meter_usage import usage_of
from shop.selectors.severity import ORDINARY, severities_of


def _columns(table: str, names: str) -> dict[str, str]:
    return {name: f"{table}.{name}" for name in names.split()}


FITTED = {
    **_columns("f", "unit_id vehicle_id unit_km_at_fit unit_h_at_fit vehicle_km_at_fit vehicle_h_at_fit"),
    **_columns("v", "kind season_id in_season_per_day off_season_per_day warranty_until"),
    "average_speed_km_h": "v.average_speed_km_h",
    "unit_model_id": "u.unit_model_id",
    "hours_meter": "n.hours_meter",
    "distance_unit": "p.distance_unit",
    "has_severity": flag("exists (select 1 from shop_severityfactor s where s.unit_id = f.unit_id)"),
}
LAST = _columns(
    "l",
    "unit_id subject done_on unit_km unit_h age_km age_h age_days is_age_assumed run_limit_km run_limit_h "
    "run_limit_days age_severity_km age_severity_h scheduled_on scheduled_unit_km scheduled_unit_h fresh_share",
)
VERSION = _columns(
    "r",
    "rule_id interval_km interval_h interval_months assumed_freshness_share cap_share opens_share closes_share policy "
    "cadence source",
) | _columns("i", "unit_model_id vehicle_kind subject")
USE = _columns("k", "rate_per_day sigma_per_sqrt_day last_total last_day intervals_used is_class_rate reason")
METER = {"pk": "m.id"} | _columns("m", "vehicle_id kind shown_in class_rate_per_day") | USE

Fitted = namedtuple("Fitted", [*FITTED, "vehicle"])
Vehicle = namedtuple(
    "Vehicle", "season in_season_per_day off_season_per_day average_speed_km_h warranty_until depot"
)
Depot = namedtuple("Depot", "distance_unit")
Last = namedtuple("Last", LAST)
Version = namedtuple("Version", [*VERSION, "rule"])
Rule = namedtuple("Rule", "pk unit_model_id vehicle_kind subject")
MeterRow = namedtuple("MeterRow", METER)


def gather_records(as_of: date, unit_pks: Collection[int]) -> CoreInputs:
    """Gather the lines of units as `core_inputs.gather` does; a handful of queries whatever their number.

    as_of: the local day to work out. unit_pks: keys of the units.
    """
    fitted = _fitted(as_of, unit_pks)
    versions = _versions(as_of, {row.unit_model_id for row in fitted})
    last = _last_services(unit_pks)
    severe = [row.unit_id for row in fitted if row.has_severity]
    severities = severities_of(as_of, severe) if severe else {}
    meters, usage = _meters(as_of, {row.vehicle_id for row in fitted})
    lines = []
    for row in fitted:
        model_pk = row.unit_model_id
        for rule, version in versions.get((model_pk, row.kind), versions.get((model_pk, ""), [])):
            own = severities.get(row.unit_id, ORDINARY) if rule.subject == "fluid" else ORDINARY
            stood = last.get((row.unit_id, rule.subject))
            lines.append(line_of(row, version, stood, own, meters, row.hours_meter))
    return inputs_of(as_of, lines, usage)


def _fitted(as_of: date, unit_pks: Collection[int]) -> list[Fitted]:
    rows = read_rows(
        FITTED,
        "from shop_fitting f join shop_unit u on u.id = f.unit_id join shop_unitmodel n on n.id = u.unit_model_id "
        "join shop_vehicle v on v.id = f.vehicle_id join shop_depot p on p.id = v.depot_id where f.removed_on is null "
        f"and (v.leaves_on is null or v.leaves_on >= %s) and {one_of('f.unit_id', keys_of(unit_pks))} "
        "order by v.number, f.id",
        [as_of.isoformat()],
    )
    at = list(FITTED).index
    season_pks = {row[at("season_id")] for row in rows} - {None}
    seasons = Season.objects.in_bulk(season_pks) if season_pks else {}
    found = []
    for row in rows:
        vehicle = Vehicle(
            seasons.get(row[at("season_id")]),
            row[at("in_season_per_day")],
            row[at("off_season_per_day")],
            row[at("average_speed_km_h")],
            _day(row[at("warranty_until")]),
            Depot(row[at("distance_unit")]),
        )
        found.append(Fitted(*row, vehicle))
    return found


def _versions(as_of: date, model_pks: Collection[int]) -> dict[tuple[int, str], list[tuple[Any, Any]]]:
    rows = read_rows(
        VERSION,
        "from shop_ruleversion r join shop_intervalrule i on i.id = r.rule_id "
        f"where r.applies_from <= %s and {one_of('i.unit_model_id', keys_of(model_pks))} order by r.applies_from",
        [as_of.isoformat()],
    )
    return in_force_by_kind(Version(*row, Rule(row[0], *row[-3:])) for row in rows)


def _last_services(unit_pks: Collection[int]) -> dict[tuple[int, str], Last]:
    found = {}
    for row in read_rows(LAST, f"from shop_lastservice l where {one_of('l.unit_id', keys_of(unit_pks))}"):
        last = Last(*row)
        found[last.unit_id, last.subject] = last._replace(
            done_on=_day(last.done_on),
            scheduled_on=_day(last.scheduled_on),
            is_age_assumed=bool(last.is_age_assumed),
        )
    return found


def _meters(
    as_of: date, vehicle_pks: Collection[int]
) -> tuple[dict[tuple[int, str], MeterRow], dict[int, tuple[float, ...]]]:
    """Return the meters of vehicles by vehicle and kind, and what their readings up to a day come to, by key.

    What is kept of a meter's use serves, unless nothing is or it goes beyond the day: then the readings are read.
    """
    rows = read_rows(
        METER,
        "from shop_meter m left join shop_meteruse k on k.meter_id = m.id "
        f"where {one_of('m.vehicle_id', keys_of(vehicle_pks))}",
    )
    meters = [MeterRow(*row) for row in rows]
    today, usage, to_read = as_of.toordinal(), {}, []
    for meter in meters:
        last_on = _day(meter.last_day)
        if meter.reason is None or (last_on is not None and last_on > as_of):
            to_read.append(meter)
            continue
        last_day = nan if last_on is None else float(last_on.toordinal())
        figures = (meter.rate_per_day, meter.sigma_per_sqrt_day, meter.last_total)
        usage[meter.pk] = (
            *(nan if figure is None else figure for figure in figures),
            last_day, today - last_day, meter.intervals_used, bool(meter.is_class_rate), meter.reason,
        )  # fmt: skip
    if to_read:
        usage |= usage_of(to_read, as_of)
    return {(meter.vehicle_id, meter.kind): meter for meter in meters}, usage


def read_rows(columns: Mapping[str, str], rest: str, params: Sequence[object] = ()) -> list[tuple[Any, ...]]:
    """Return rows as the database gives them. columns: name → SQL. rest: the statement from FROM on."""
    with connection.cursor() as cursor:
        cursor.execute(f"select {', '.join(columns.values())} {rest}", params)
        return cursor.fetchall()


def _day(value: date | str | None) -> date | None:
    """Return a day as a date; SQLite gives it as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value
