"""What the lines of many units count from, read in columns: the fast way, for ordinary units.

A unit with a season, a severity, a leaving day or a service that counts from its scheduled point is only named:
`shop/selectors/core_inputs.py` reads it row by row. Both hand what they read to `shop/selectors/line_clocks.py`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from intervals.as_driven import Wear
from intervals.usage import Usage
from shop.models import IntervalRule, LastService, Meter, RuleVersion
from shop.selectors.column_reading import (
    UNKNOWN,
    day_number,
    flag,
    one_of,
    place_of,
    rank_in,
    read_columns,
    taken,
)
from shop.selectors.core_inputs import versions_in_force
from shop.selectors.guessed_hours import record_or_guess, usage_or_guess
from shop.selectors.line_clocks import LineArrays, LineRecord, MeterRecord, UseAhead, meter_clock, time_clock
from shop.selectors.meter_usage import KINDS, kept_usage

FloatArray = npt.NDArray[np.float64]
Columns = dict[str, FloatArray]

SCHEDULED = " or ".join(
    f"l.{name} is not null" for name in ("scheduled_on", "scheduled_unit_km", "scheduled_unit_h")
)
LAST_FIGURES = (
    "unit_km", "unit_h", "age_km", "age_h", "age_days", "run_limit_km", "run_limit_h", "run_limit_days",
)  # fmt: skip

SHARES_OF_RULE = ("assumed_freshness_share", "cap_share", "opens_share", "closes_share")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineColumns(LineArrays):
    """The lines of ordinary units in columns.

    Attributes:
        unit, rule, vehicle: keys of each line.
        done_day: ordinal of the last job; nan when not known.
        others: keys of the units that have to be read row by row.
    """

    unit: FloatArray
    rule: FloatArray
    vehicle: FloatArray
    done_day: FloatArray
    others: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedLines:
    """What the lines of ordinary units have on record, before the figures of a rule are laid over it.

    Attributes:
        as_of: the local day.
        columns: name → (n,) keys of unit and vehicle, totals when fitted, and what stands since the last job.
        versions: the rule versions in force; version_rows: the place among them of each line's.
        distance_usage, hours_usage: use of the meters the lines count on.
        guess_km_h: speed the hours are guessed with from the distance; nan where they are not.
        others: keys of the units that have to be read row by row.
    """

    as_of: date
    columns: Columns
    versions: list[RuleVersion]
    version_rows: npt.NDArray[np.int64]
    distance_usage: Usage
    hours_usage: Usage
    guess_km_h: FloatArray
    others: FloatArray

    def under(self, versions: Sequence[RuleVersion], severity: float = 1.0) -> LineColumns:
        """Work out the clocks under other figures of the same rules; nothing is read.

        versions: in the order of `self.versions`. severity: divides every interval; 1 is ordinary duty.
        """
        own, usages = self.columns, (self.distance_usage, self.hours_usage)
        record = self._record(versions, severity)
        by_distance, by_hours = (
            _meter_record(own, self.of_rule(versions, f"interval_{end}"), end) for end in ("km", "h")
        )
        records = (by_distance, record_or_guess(by_hours, by_distance, self.guess_km_h))
        even = Wear.even(len(self.version_rows))
        distance, hours = (
            meter_clock(self.as_of, record, on_meter, usage, UseAhead.as_measured(usage), even)
            for on_meter, usage in zip(records, usages, strict=True)
        )
        return LineColumns(
            unit=own["unit"],
            rule=np.array([version.rule_id for version in versions], dtype=np.float64)[self.version_rows],
            vehicle=own["vehicle"],
            done_day=own["done_day"],
            distance=distance,
            hours=hours,
            time=time_clock(self.as_of, record),
            opens_share=record.opens_share,
            closes_share=record.closes_share,
            distance_usage=self.distance_usage,
            hours_usage=self.hours_usage,
            others=self.others,
        )

    def of_rule(self, versions: Sequence[RuleVersion], name: str) -> FloatArray:
        """Return (n,) a figure of each line's rule version; nan where it has none."""
        values = [getattr(version, name) for version in versions]
        figures = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
        return figures[self.version_rows]

    def policies(self, versions: Sequence[RuleVersion]) -> npt.NDArray[np.str_]:
        """Return (n,) the policy of each line's rule version."""
        return np.array([version.policy for version in versions], dtype=np.str_)[self.version_rows]

    def _record(self, versions: Sequence[RuleVersion], severity: float) -> LineRecord:
        nothing = np.zeros(len(self.version_rows))
        return LineRecord(
            done_day=self.columns["done_day"],
            months=self.of_rule(versions, "interval_months"),
            carried_days=self.columns["age_days"],
            run_limit_days=self.columns["run_limit_days"],
            scheduled_days=nothing,
            severity=nothing + severity,
            **{name: self.of_rule(versions, name) for name in SHARES_OF_RULE},
            policies=self.policies(versions),
        )


def gather_columns(as_of: date, unit_pks: FloatArray) -> LineColumns:
    """Gather the lines of units fitted now in vehicles that have not left; a handful of queries whatever their number.

    as_of: the local day to work out. unit_pks: keys of the units.
    """
    recorded = recorded_lines(as_of, unit_pks)
    return recorded.under(recorded.versions)


def recorded_lines(as_of: date, unit_pks: FloatArray, subject: str | None = None) -> RecordedLines:
    """Read what those lines have on record. subject: only lines of rules for it; None for all."""
    own_kinds = IntervalRule.objects.exclude(vehicle_kind="").values_list("vehicle_kind", flat=True)
    kinds = sorted(set(own_kinds))
    fitted = _fitted(as_of, unit_pks, kinds)
    versions = {
        key: [version for rule, version in own if subject in (None, rule.subject)]
        for key, own in versions_in_force(as_of, {int(pk) for pk in np.unique(fitted["model"])}).items()
    }
    rows, version_rows, table = _under_rules(fitted, kinds, versions)
    lines = {name: column[rows] for name, column in fitted.items()}
    subjects = sorted({version.rule.subject for version in table})
    last = _last_services(unit_pks, subjects)
    subject_of = np.array([subjects.index(version.rule.subject) for version in table], dtype=np.float64)
    place = place_of(
        lines["unit"] * len(subjects) + subject_of[version_rows],
        last["unit"] * len(subjects) + last["subject"],
    )
    is_from_schedule = np.array(
        [version.cadence == RuleVersion.Cadence.FROM_SCHEDULED for version in table], dtype=np.bool_
    )
    is_other = (lines["is_other"] > 0) | (
        is_from_schedule[version_rows] & (taken(last["is_scheduled"], place) > 0)
    )
    others = np.unique(lines["unit"][is_other])
    keep = ~np.isin(lines["unit"], others)
    own = {name: column[keep] for name, column in lines.items()}
    own |= {name: taken(last[name], place[keep]) for name in ("done_day", *LAST_FIGURES)}
    counts_take_off = np.array(
        [version.rule.unit_model.hours_meter == Meter.Kind.TAKE_OFF for version in table], dtype=np.bool_
    )[version_rows[keep]]
    usages, km_h = _usages(as_of, own["vehicle"], counts_take_off, own["average_speed_km_h"])
    return RecordedLines(
        as_of=as_of,
        columns=own,
        versions=table,
        version_rows=version_rows[keep],
        distance_usage=usages[0],
        hours_usage=usages[1],
        guess_km_h=km_h,
        others=others,
    )


def _meter_record(own: Columns, limit: FloatArray, end: str) -> MeterRecord:
    return MeterRecord(
        limit=limit,
        at_job=own[f"unit_{end}"],
        unit_at_fit=own[f"unit_{end}_at_fit"],
        vehicle_at_fit=own[f"vehicle_{end}_at_fit"],
        carried=own[f"age_{end}"],
        run_limit=own[f"run_limit_{end}"],
        scheduled=np.zeros(len(limit)),
    )


def _fitted(as_of: date, unit_pks: FloatArray, kinds: list[str]) -> Columns:
    """Read the fittings that count on a day; `kind` is the place in `kinds`, or nan."""
    kind, kind_params = rank_in("v.kind", kinds)
    day = as_of.isoformat()
    figures = [f"{owner}_{end}_at_fit" for owner in ("unit", "vehicle") for end in ("km", "h")]
    # Each table by itself: asked to join them, PostgreSQL would read some of them from end to end.
    fitted = read_columns(
        {"unit": "f.unit_id", "vehicle": "f.vehicle_id", **{name: f"f.{name}" for name in figures}},
        f"from shop_fitting f where f.removed_on is null and {one_of('f.unit_id', unit_pks)}",
    )
    units = read_columns(
        {"unit": "u.id", "model": "u.unit_model_id"}, f"from shop_unit u where {one_of('u.id', unit_pks)}"
    )
    severe = read_columns(
        {"unit": "s.unit_id"},
        f"from shop_severityfactor s where s.applies_from <= %s and {one_of('s.unit_id', unit_pks)}",
        [day],
    )
    vehicles = read_columns(
        {
            "vehicle": "v.id", "kind": kind, "average_speed_km_h": "v.average_speed_km_h",
            "is_other": flag("v.season_id is not null or v.leaves_on is not null"),
        },
        "from shop_vehicle v where (v.leaves_on is null or v.leaves_on >= %s) "
        f"and {one_of('v.id', fitted['vehicle'])}",
        [*kind_params, day],
    )  # fmt: skip
    of_unit, of_vehicle = (
        place_of(fitted["unit"], units["unit"]),
        place_of(fitted["vehicle"], vehicles["vehicle"]),
    )
    fitted["model"] = taken(units["model"], of_unit)
    fitted |= {name: taken(column, of_vehicle) for name, column in vehicles.items()}
    fitted["is_other"] = np.where(np.isin(fitted["unit"], severe["unit"]), 1.0, fitted["is_other"])
    stays = (of_unit != UNKNOWN) & (of_vehicle != UNKNOWN)
    return {name: column[stays] for name, column in fitted.items()}


def _under_rules(
    fitted: Columns, kinds: list[str], versions: dict[tuple[int, str], list[RuleVersion]]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], list[RuleVersion]]:
    """Return, line by line, the place of its fitting and of its rule version, and the versions."""
    table: list[RuleVersion] = []
    rows, version_rows = [np.empty(0, dtype=np.int64)], [np.empty(0, dtype=np.int64)]
    group = fitted["model"] * (len(kinds) + 1) + np.nan_to_num(fitted["kind"], nan=float(len(kinds)))
    for key in np.unique(group):
        model_pk, kind = int(key // (len(kinds) + 1)), int(key % (len(kinds) + 1))
        name = kinds[kind] if kind < len(kinds) else ""
        own = versions.get((model_pk, name), versions.get((model_pk, ""), []))
        members = np.flatnonzero(group == key)
        for version in own:
            rows.append(members)
            version_rows.append(np.full(len(members), len(table)))
            table.append(version)
    return np.concatenate(rows), np.concatenate(version_rows), table


def _last_services(unit_pks: FloatArray, subjects: list[str]) -> Columns:
    """Read where the units stand; `subject` is the place in `subjects`."""
    subject, params = rank_in("l.subject", subjects)
    names = {name: f"l.{name}" for name in LAST_FIGURES}
    found = read_columns(
        {
            "unit": "l.unit_id", "subject": subject, "done_day": day_number("l.done_on"),
            "is_scheduled": flag(SCHEDULED), **names,
        },
        f"from {LastService._meta.db_table} l where {one_of('l.unit_id', unit_pks)}",
        params,
    )  # fmt: skip
    is_asked = np.isfinite(found["subject"])
    return {name: column[is_asked] for name, column in found.items()}


def _usages(
    as_of: date, vehicles: FloatArray, counts_take_off: npt.NDArray[np.bool_], km_h: FloatArray
) -> tuple[tuple[Usage, Usage], FloatArray]:
    """Return the use of the odometer and of the hour meter of each line, and the speed its hours are guessed with.

    A use is nan where there is no such meter and nothing is guessed, a speed where nothing is. km_h: as typed.
    """
    meters, usage = kept_usage(np.unique(vehicles), as_of)
    owners = meters["vehicle"] * len(KINDS) + meters["kind"]
    odometer, engine, take_off = (
        KINDS.index(kind) for kind in (Meter.Kind.ODOMETER, Meter.Kind.HOURS, Meter.Kind.TAKE_OFF)
    )
    places = [
        place_of(vehicles * len(KINDS) + kind, owners)
        for kind in (odometer, np.where(counts_take_off, take_off, engine))
    ]
    is_guessed = ~counts_take_off & (places[0] != UNKNOWN) & (places[1] == UNKNOWN)
    speeds = np.where(is_guessed, km_h, np.nan)
    distance, hours = (_of_lines(usage, place) for place in places)
    return (distance, usage_or_guess(hours, distance, speeds)), speeds


def _of_lines(usage: Usage, place: npt.NDArray[np.int64]) -> Usage:
    """Return the use of each line's meter. place: of the meter, or UNKNOWN."""
    has_meter = place != UNKNOWN
    at = place[has_meter]

    def spread(values: npt.NDArray[np.generic], empty: float) -> npt.NDArray[np.generic]:
        column = np.full(len(place), empty, dtype=values.dtype)
        column[has_meter] = values[at]
        return column

    without = dict.fromkeys(Usage.__slots__, np.nan) | dict.fromkeys(
        ("intervals_used", "is_class_rate", "reason"), 0
    )
    return Usage(*(spread(getattr(usage, name), without[name]) for name in Usage.__slots__))
