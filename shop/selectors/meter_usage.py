"""The use of meters from their accepted readings, for any number of meters at once."""

from collections.abc import Collection
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.usage import Usage, usage_from_readings
from shop.models import Meter, Reading
from shop.selectors.column_reading import (
    UNKNOWN,
    day_number,
    flag,
    keys_of,
    one_of,
    place_of,
    rank_in,
    read_columns,
    seconds,
    taken,
)

FloatArray = npt.NDArray[np.float64]

LOOK_BACK_DAYS = 120
"""Readings older than this before a meter's last one cannot move its rate, which looks back 90 days."""

SOURCE_TRUST = [
    Reading.Source.WORKSHOP,
    Reading.Source.TELEMATICS,
    Reading.Source.FUEL_CARD,
    Reading.Source.DRIVER,
]
"""Which source counts when two were read on one day: the first named. They are ranked, never averaged."""


KINDS = [str(kind) for kind in Meter.Kind.values]

KEPT_NUMBERS = ("rate_per_day", "sigma_per_sqrt_day", "last_total", "intervals_used", "reason")


def usage_of(meters: Collection[Meter], as_of: date) -> dict[int, tuple[float, ...]]:
    """Return, per meter, its usage figures (the fields of `Usage`) from the accepted readings up to a day."""
    by_pk = {meter.pk: meter for meter in meters}
    class_rates = [
        np.nan if meter.class_rate_per_day is None else meter.class_rate_per_day for meter in by_pk.values()
    ]
    usage = usage_columns(keys_of(by_pk), np.array(class_rates, dtype=np.float64), as_of)
    columns = [getattr(usage, name) for name in Usage.__slots__]
    return {pk: tuple(column[row] for column in columns) for row, pk in enumerate(by_pk)}


def usage_columns(meter_pks: FloatArray, class_rate_per_day: FloatArray, as_of: date) -> Usage:
    """Return the usage of meters in the order of their keys, from their readings; one query.

    meter_pks: (n,) keys, all different. class_rate_per_day: (n,) typical of the vehicle's class, nan where not known.
    """
    days, totals = best_readings(meter_pks, as_of)
    return usage_from_readings(days, totals, as_of.toordinal(), class_rate_per_day)


def best_readings(meter_pks: FloatArray, as_of: date) -> tuple[FloatArray, FloatArray]:
    """Return the days and true totals of the readings that count, one row for each meter, ascending, nan at the end."""
    read = _readings_that_count(meter_pks, as_of)
    places = place_of(read["meter"], meter_pks)
    # The most trusted source of a day counts, of one source the latest, of one instant the least.
    order = np.lexsort((read["total"], -read["at"], read["trust"], read["day"], places))
    places, days, totals = places[order], read["day"][order], read["total"][order]
    is_first = np.ones(len(places), dtype=np.bool_)
    is_first[1:] = (places[1:] != places[:-1]) | (days[1:] != days[:-1])
    places, days, totals = places[is_first], days[is_first], totals[is_first]
    counts = np.bincount(places, minlength=len(meter_pks))
    columns = np.arange(len(places)) - np.repeat(np.cumsum(counts) - counts, counts)
    shape = (len(meter_pks), max(int(counts.max(initial=0)), 1))
    by_day, by_total = np.full(shape, np.nan), np.full(shape, np.nan)
    by_day[places, columns], by_total[places, columns] = days, totals
    return by_day, by_total


def kept_usage(vehicle_pks: FloatArray, as_of: date) -> tuple[dict[str, FloatArray], Usage]:
    """Return the meters of vehicles and their use; two queries, one more for what is not kept or includes later days.

    Returns the columns `meter`, `vehicle`, `kind` (its place in `KINDS`), and the usage in the same order.
    """
    kind, kinds = rank_in("m.kind", KINDS)
    meters = read_columns(
        {
            "meter": "m.id", "vehicle": "m.vehicle_id", "kind": kind, "class_rate": "m.class_rate_per_day",
        },
        f"from shop_meter m where {one_of('m.vehicle_id', vehicle_pks)}",
        kinds,
    )  # fmt: skip
    kept = read_columns(
        {
            "meter": "k.meter_id", "last_day": day_number("k.last_day"), "is_class_rate": flag("k.is_class_rate"),
            **{name: f"k.{name}" for name in KEPT_NUMBERS},
        },
        f"from shop_meteruse k where {one_of('k.meter_id', meters['meter'])}",
    )  # fmt: skip
    place = place_of(meters["meter"], kept["meter"])
    kept = {name: taken(column, place) for name, column in kept.items()}
    usage = Usage(
        rate_per_day=kept["rate_per_day"],
        sigma_per_sqrt_day=kept["sigma_per_sqrt_day"],
        last_total=kept["last_total"],
        last_day=kept["last_day"],
        stale_days=as_of.toordinal() - kept["last_day"],
        intervals_used=np.nan_to_num(kept["intervals_used"]).astype(np.int64),
        is_class_rate=kept["is_class_rate"] > 0,
        reason=np.nan_to_num(kept["reason"]).astype(np.int64),
    )
    # On a day before the last reading, what was not known then does not count.
    others = np.flatnonzero((kept["last_day"] > as_of.toordinal()) | (place == UNKNOWN))
    if len(others):
        then = usage_columns(meters["meter"][others], meters["class_rate"][others], as_of)
        for name in Usage.__slots__:
            getattr(usage, name)[others] = getattr(then, name)
    return meters, usage


def _readings_that_count(meter_pks: FloatArray, as_of: date) -> dict[str, FloatArray]:
    trust, sources = rank_in("r.source", [str(source) for source in SOURCE_TRUST])
    is_postgresql = connection.vendor == "postgresql"
    oldest = f"t.newest - {LOOK_BACK_DAYS}" if is_postgresql else f"date(t.newest, '-{LOOK_BACK_DAYS} days')"
    day = as_of.isoformat()
    return read_columns(
        {
            "meter": "r.meter_id",
            "day": day_number("r.read_on"),
            "trust": trust,
            "at": seconds("r.read_at"),
            "total": "r.true_total",
        },
        "from (select m.id, (select max(n.read_on) from shop_reading n where n.meter_id = m.id "
        "and n.status = 'accepted' and n.read_on <= %s) as newest "
        f"from shop_meter m where {one_of('m.id', meter_pks)}) t "
        "join shop_reading r on r.meter_id = t.id and r.status = 'accepted' and r.read_on <= %s "
        f"and r.read_on >= {oldest}",
        [*sources, day, day],
    )
