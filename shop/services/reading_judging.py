"""Readings judged against their meter's history, and counted into it."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from intervals.readings import are_surely_accepted
from shop.models import Meter, Reading
from shop.selectors.column_reading import (
    day_number,
    flag,
    keys_of,
    one_of,
    place_of,
    read_columns,
    taken,
)
from shop.services.kept_use import meters_hold
from shop.services.meter_history import HOURS_P99_CAP, MeterHistory, core_changes, to_si

Columns = dict[str, npt.NDArray[np.float64]]

AS_GUESSED = "as guessed"

# A value from a rounded or converted figure may fall this short of its neighbour, in the meter's own unit.
GRACE = 1.0


_LOOKED_AT = ("meter_id", "read_on", "read_at", "source", "raw_value", "guess_value", "answer")


@dataclass(frozen=True, slots=True)
class KnownMeter:
    """A meter held until the transaction ends, with its accepted readings."""

    meter: Meter
    history: MeterHistory


def meters_held(ids: Collection[int]) -> dict[int, KnownMeter]:
    """Load meters with their changes and accepted readings, and hold them until the transaction ends."""
    meters_hold(keys_of(ids))
    return meters_known(ids)


def meters_known(ids: Collection[int]) -> dict[int, KnownMeter]:
    """Load meters that are held, with their changes and accepted readings."""
    found = {}
    for meter in (
        Meter.objects.filter(pk__in=ids).select_related("vehicle__depot").prefetch_related("changes")
    ):
        found[meter.pk] = KnownMeter(meter, MeterHistory(meter, core_changes(meter, meter.changes.all())))
    accepted = Reading.objects.filter(meter__in=ids, status=Reading.Status.ACCEPTED).order_by("read_at")
    # All of a meter's readings, of which only these are looked at: named tuples take a third of the time of objects.
    for reading in accepted.values_list(*_LOOKED_AT, named=True).iterator(chunk_size=10_000):
        found[reading.meter_id].history.accept(reading, counted(reading))
    return found


def are_ordinary(coming: Columns) -> npt.NDArray[np.bool_]:
    """Say which new readings nobody would ask about, by what is kept of their meters; one query.

    Ordinary is the one new reading of a meter that never changed, later than all accepted ones, that what its busiest
    days allow is enough to accept. The full judgement, with all readings, comes to the same: it can only allow more.

    coming: the columns `meter`, `day` and `si`, with all new readings of each meter.
    """
    meters, places, counts = np.unique(coming["meter"], return_inverse=True, return_counts=True)
    alone = meters[counts == 1]
    kept = read_columns(
        {
            "meter": "k.meter_id", "last_day": day_number("k.last_day"), "last_total": "k.last_total",
            "busiest": "k.busiest_per_day", "is_hours": flag("m.kind <> %s"),
        },
        f"from shop_meteruse k join shop_meter m on m.id = k.meter_id where {one_of('k.meter_id', alone)} "
        "and not exists (select 1 from shop_meterchange c where c.meter_id = k.meter_id)",
        [Meter.Kind.ODOMETER],
    )  # fmt: skip
    p99 = np.where(kept["is_hours"] > 0, np.minimum(kept["busiest"], HOURS_P99_CAP), kept["busiest"])
    own = place_of(meters, kept["meter"])[places]
    last_day, last_total, busiest, p99 = (
        taken(one, own) for one in (kept["last_day"], kept["last_total"], kept["busiest"], p99)
    )
    return are_surely_accepted(coming["day"] - last_day, last_total, coming["si"], busiest, p99)


def judge_all(readings: Iterable[Reading], found: dict[int, KnownMeter]) -> None:
    """Judge new readings in time order, each against the accepted ones before it."""
    for reading in sorted(readings, key=lambda one: (one.meter_id, one.read_at)):
        judge_one(reading, found[reading.meter_id].history)


def judge_one(reading: Reading, history: MeterHistory) -> None:
    """Judge a reading, and let it count where it is accepted."""
    verdict = history.judge(reading)
    reading.status = verdict.status
    is_asked = verdict.status == Reading.Status.ASKED
    reading.question_code = verdict.code if is_asked else ""
    reading.question = verdict.sentence[:240] if is_asked else ""
    reading.guess_value = verdict.guess if is_asked else None
    if is_asked:
        reading.true_total = None
    else:
        count_in(reading, history)


def counted(reading: Reading) -> float:
    """Return the value that counts, in the meter's own unit: what was typed, or the guess a person confirmed."""
    if reading.answer == AS_GUESSED and reading.guess_value is not None:
        return reading.guess_value
    return reading.raw_value


def count_in(reading: Reading, history: MeterHistory) -> None:
    """Let a reading count, in both the record and the history."""
    offset = history.offset(reading.read_on)
    total = counted(reading) + offset
    if reading.answer:
        low, high = history.bounds(reading)
        if low - GRACE <= total <= high + GRACE:
            total = min(max(total, low), high)
    reading.true_total = to_si(total, history.meter)
    history.accept(reading, total - offset)


def reading_key(reading: Reading) -> str:
    """Return what change records call a reading."""
    return f"{reading.meter} {reading.read_at:%Y-%m-%d %H:%M}Z {reading.source}"


def reading_shown(reading: Reading) -> dict[str, object]:
    """Return what change records keep of a reading."""
    names = ("raw_text", "raw_value", "status", "true_total", "question_code", "guess_value", "answer")
    return {name: getattr(reading, name) for name in names}
