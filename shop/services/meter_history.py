"""One meter's accepted readings in time order, and what they make of the next reading."""

import datetime
import itertools
import math
from bisect import bisect_left, insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from statistics import median

from intervals.quantities import from_km, to_h, to_km
from intervals.quantities import parse_amount as amount_parse
from intervals.readings import MeterChange as Change
from intervals.readings import Verdict, judge, roll_over, rolls_over_at, true_total
from shop.models import Meter, MeterChange, Reading
from shop.selectors.meter_usage import SOURCE_TRUST

UNITS = {kind: ("km", "mi") if kind == Meter.Kind.ODOMETER else ("h", "hh:mm") for kind in Meter.Kind}

_WINDOW = 60
_LEAST_FOR_MEDIAN = 3
_LEAST_FOR_P99 = 8
# A reading is asked about above three times this: no engine runs more than 24 hours a day.
HOURS_P99_CAP = 8.0


def shown_value(text: str, meter: Meter, unit: str = "") -> float:
    """Return what was typed as a number in the meter's own unit.

    Args:
        text: as typed, "57 000" or "1234:30".
        meter: the meter it was read off.
        unit: "km", "mi", "h" or "hh:mm"; empty: the meter's own.

    Raises:
        QuantityError: the text or the unit does not fit the meter.
    """
    unit = unit or meter.shown_in
    if meter.counts_hours:
        return to_h(text, unit)
    value_km = to_km(amount_parse(text), unit)
    return amount_parse(text) if unit == meter.shown_in else from_km(value_km, meter.shown_in)


def to_si(shown: float, meter: Meter) -> float:
    """Return a total in the meter's own unit as km or h."""
    return shown if meter.counts_hours else to_km(shown, meter.shown_in)


def from_si(total: float, meter: Meter) -> float:
    """Return a total in km or h in the meter's own unit."""
    return total if meter.counts_hours else from_km(total, meter.shown_in)


def core_changes(meter: Meter, changes: Iterable[MeterChange]) -> list[Change]:
    """Return the meter's changes as the calculation takes them.

    A meter that rolled over gained exactly the count at which it rolls over, whatever was last seen on it; where that
    is not on record, the next power of ten.
    """
    found = []
    for change in changes:
        if change.kind == MeterChange.Kind.ROLLED_OVER:
            found.append(roll_over(change.day, meter.rolls_over_at or rolls_over_at(change.last_old)))
        else:
            found.append(Change(change.day, change.kind, change.last_old, change.first_new))
    return found


def total_on(shown: float, day: datetime.date, meter: Meter, changes: Iterable[MeterChange]) -> float:
    """Return the true total in km or h behind what a meter showed on a day."""
    return to_si(true_total(shown, day, core_changes(meter, changes)), meter)


@dataclass(slots=True)
class MeterHistory:
    """The accepted readings of one meter, one per local day: the best trusted, of equals the latest.

    Totals are true totals in the meter's own unit.
    """

    meter: Meter
    changes: list[Change]
    _days: list[datetime.date] = field(default_factory=list)
    _best: dict[datetime.date, tuple[int, datetime.datetime, float]] = field(default_factory=dict)

    def offset(self, day: datetime.date) -> float:
        """Return what turns a raw reading of a day into a true total."""
        return true_total(0.0, day, self.changes) if self.changes else 0.0

    def accept(self, reading: Reading, shown: float) -> None:
        """Take one accepted reading in."""
        rank, day = SOURCE_TRUST.index(reading.source), reading.read_on
        held = self._best.get(day)
        if held is None:
            insort(self._days, day)
        elif (rank, -reading.read_at.timestamp()) >= (held[0], -held[1].timestamp()):
            return
        self._best[day] = (rank, reading.read_at, shown + self.offset(day))

    def judge(self, reading: Reading) -> Verdict:
        """Return the verdict on a reading not yet taken in."""
        before, after = self._neighbours(reading)
        typical, p99 = self._rates(reading.read_on)
        return judge(
            reading.raw_value,
            reading.read_on,
            [(day, self._best[day][2]) for day in (before, after) if day is not None],
            self.offset(reading.read_on),
            typical,
            p99,
            self.meter.rolls_over_at,
            "h" if self.meter.counts_hours else self.meter.shown_in,
        )

    def bounds(self, reading: Reading) -> tuple[float, float]:
        """Return the true totals (own unit) that the readings before and after leave room for."""
        before, after = self._neighbours(reading)
        return (
            self._best[before][2] if before else 0.0,
            self._best[after][2] if after else math.inf,
        )

    def _neighbours(self, reading: Reading) -> tuple[datetime.date | None, datetime.date | None]:
        """Return the last and next day with a reading to compare with.

        What a device sends is not held against a less trusted reading of the day; what a person types is held against
        every earlier one.
        """
        day, rank = reading.read_on, SOURCE_TRUST.index(reading.source)
        place = bisect_left(self._days, day)
        before = self._days[place - 1] if place else None
        held = self._best.get(day)
        if held is not None:
            place += 1
            is_typed = reading.source != Reading.Source.TELEMATICS
            if (is_typed or held[0] <= rank) and held[1] <= reading.read_at:
                before = day
        return before, self._days[place] if place < len(self._days) else None

    def _rates(self, day: datetime.date) -> tuple[float | None, float | None]:
        """Return ordinary use per day and its 99th percentile before a day, own unit; None where unknown."""
        place = bisect_left(self._days, day)
        days = self._days[max(0, place - _WINDOW - 1) : place]
        rates = sorted(
            (self._best[end][2] - self._best[start][2]) / (end - start).days
            for start, end in itertools.pairwise(days)
        )
        # What is typed for a vehicle's season is its driving, not what its power take-off runs.
        is_driving = self.meter.kind != Meter.Kind.TAKE_OFF
        in_season = self.meter.vehicle.in_season_per_day if is_driving else None
        expected = [from_si(rate, self.meter) for rate in (self.meter.class_rate_per_day, in_season) if rate]
        typical = median(rates) if len(rates) >= _LEAST_FOR_MEDIAN else min(expected, default=None)
        p99 = max(expected, default=0.0)
        if len(rates) >= _LEAST_FOR_P99:
            p99 = max(p99, rates[math.ceil(0.99 * len(rates)) - 1])
        elif typical:
            p99 = max(p99, 3.0 * typical)
        if self.meter.counts_hours:
            return typical, min(p99, HOURS_P99_CAP) if p99 > 0 else HOURS_P99_CAP
        return (typical, p99) if p99 > 0 else (None, None)
