"""The use of meters from their accepted readings, for any number of meters at once."""

from collections.abc import Collection
from datetime import date

import numpy as np
import numpy.typing as npt
from django.db import connection

from intervals.usage import Usage, usage_from_readings
from shop.models import Meter, Reading
from shop.selectors.column_reading import (
    day_number,
    keys_param,
    one_of,
    place_of,
    rank_in,
    read_columns,
    seconds,
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


def usage_of(meters: Collection[Meter], as_of: date) -> dict[int, tuple[float, ...]]:
    """Return, per meter, its usage figures (the fields of `Usage`) from the accepted readings up to a day."""
    by_pk = {meter.pk: meter for meter in meters}
    class_rates = [
        np.nan if meter.class_rate_per_day is None else meter.class_rate_per_day for meter in by_pk.values()
    ]
    usage = usage_columns(
        np.array(list(by_pk), dtype=np.float64), np.array(class_rates, dtype=np.float64), as_of
    )
    columns = [getattr(usage, name) for name in Usage.__slots__]
    return {pk: tuple(column[row] for column in columns) for row, pk in enumerate(by_pk)}


def usage_columns(meter_pks: FloatArray, class_rate_per_day: FloatArray, as_of: date) -> Usage:
    """Return the usage of meters in the order of their keys; one query.

    meter_pks: (n,) keys, all different. class_rate_per_day: (n,) typical of the vehicle's class, nan where not known.
    """
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
    return usage_from_readings(by_day, by_total, as_of.toordinal(), class_rate_per_day)


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
        f"and n.status = 'accepted' and n.read_on <= %s) as newest from shop_meter m where {one_of('m.id')}) t "
        "join shop_reading r on r.meter_id = t.id and r.status = 'accepted' and r.read_on <= %s "
        f"and r.read_on >= {oldest}",
        [*sources, day, keys_param(meter_pks), day],
    )
