"""Turns rows into the arrays that `intervals` works on: one entry per unit and rule, gathered in bulk."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite

import numpy as np
import numpy.typing as npt
from django.db.models import QuerySet

from intervals.as_driven import Wear
from intervals.duty import SeverityStep
from intervals.usage import Usage
from shop.models import Fitting, IntervalRule, LastService, Meter, RuleVersion, SeverityFactor
from shop.selectors.cadence import scheduled_days, scheduled_runs
from shop.selectors.guessed_hours import record_or_guess, usage_or_guess, wear_or_guess
from shop.selectors.line_clocks import LineArrays, LineRecord, MeterRecord, UseAhead, meter_clock, time_clock
from shop.selectors.meter_usage import SOURCE_TRUST, usage_of
from shop.selectors.seasons import MeasuredUse, Stretch, stretches_of
from shop.selectors.severity import ORDINARY, UnitSeverity, driven_wear, severities_of

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """One unit under one rule version, with everything about it that is a row.

    hours_meter: the kind of meter its hours are counted by; hour_meter: the one of the vehicle, None where it has none.
    """

    fitting: Fitting
    rule: IntervalRule
    version: RuleVersion
    last: LastService | None
    factors: tuple[SeverityFactor, ...]
    severity: float
    severity_steps: tuple[SeverityStep, ...]
    odometer: Meter | None
    hour_meter: Meter | None
    hours_meter: str

    @property
    def guess_km_h(self) -> float:
        """The speed its engine hours are guessed with from the distance; nan where they are not guessed."""
        is_guessed = (
            self.hours_meter == Meter.Kind.HOURS and self.hour_meter is None and self.odometer is not None
        )
        return _or_nan(self.fitting.vehicle.average_speed_km_h if is_guessed else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreInputs(LineArrays):
    """The lines as objects and, in the same order, their figures."""

    as_of: date
    lines: tuple[Line, ...]
    distance_wear: Wear
    hours_wear: Wear


def gather(as_of: date, fittings: QuerySet[Fitting]) -> CoreInputs:
    """Gather the lines of the units fitted now and their clocks; a handful of queries whatever the fleet.

    as_of: the local day to work out. fittings: which units; removed ones and those of vehicles that have left are
    left out here.
    """
    fitted = list(
        fittings.filter(removed_on__isnull=True)
        .exclude(vehicle__leaves_on__lt=as_of)
        .select_related("unit__unit_model", "vehicle__season", "vehicle__depot")
        .order_by("vehicle__number", "pk")
    )
    lines = _lines(as_of, fitted)
    meters = [meter for line in lines for meter in (line.odometer, line.hour_meter) if meter]
    return inputs_of(as_of, lines, usage_of(meters, as_of))


def inputs_of(as_of: date, lines: list[Line], usage: dict[int, tuple[float, ...]]) -> CoreInputs:
    """Return the arrays of lines. usage: per key of a meter, the fields of `Usage`."""
    odometers = [line.odometer for line in lines]
    hour_meters = [line.hour_meter for line in lines]
    distance_rows = _usage_rows(odometers, usage)
    km_h = _speeds(lines)
    hours_rows = usage_or_guess(_usage_rows(hour_meters, usage), distance_rows, km_h)
    distance_wear = driven_wear(as_of, lines, distance_rows, SOURCE_TRUST, is_distance=True)
    hours_wear = driven_wear(as_of, lines, hours_rows, SOURCE_TRUST, is_distance=False)
    return _inputs(
        as_of, lines, distance_rows, hours_rows, distance_wear, wear_or_guess(hours_wear, distance_wear, km_h)
    )


def inputs_with(inputs: CoreInputs, lines: Sequence[Line]) -> CoreInputs:
    """Return the inputs of the same units and meters under other rules; nothing is read or written.

    lines: those of `inputs`, in the same order, with another version or severity.
    """
    return _inputs(
        inputs.as_of,
        list(lines),
        inputs.distance_usage,
        inputs.hours_usage,
        inputs.distance_wear,
        inputs.hours_wear,
    )


def _inputs(
    as_of: date,
    lines: list[Line],
    distance_rows: Usage,
    hours_rows: Usage,
    distance_wear: Wear,
    hours_wear: Wear,
) -> CoreInputs:
    record = _line_record(lines)
    by_distance = _meter_record(lines, is_distance=True)
    by_hours = record_or_guess(_meter_record(lines, is_distance=False), by_distance, _speeds(lines))
    ahead = [_use_ahead(as_of, lines, distance_rows, is_distance=True)]
    ahead.append(_use_ahead(as_of, lines, hours_rows, is_distance=False))
    return CoreInputs(
        as_of=as_of,
        lines=tuple(lines),
        distance=meter_clock(as_of, record, by_distance, distance_rows, ahead[0], distance_wear),
        hours=meter_clock(as_of, record, by_hours, hours_rows, ahead[1], hours_wear),
        time=time_clock(as_of, record),
        opens_share=record.opens_share,
        closes_share=record.closes_share,
        distance_usage=distance_rows,
        hours_usage=hours_rows,
        distance_wear=distance_wear,
        hours_wear=hours_wear,
    )


def _lines(as_of: date, fitted: list[Fitting]) -> list[Line]:
    unit_pks = [fitting.unit_id for fitting in fitted]
    versions = versions_in_force(as_of, {fitting.unit.unit_model_id for fitting in fitted})
    last_services = {
        (last.unit_id, last.subject): last
        for last in LastService.objects.filter(unit__in=unit_pks).select_related("product")
    }
    severities = severities_of(as_of, unit_pks)
    meters = {
        (meter.vehicle_id, meter.kind): meter
        for meter in Meter.objects.filter(vehicle__in={fitting.vehicle_id for fitting in fitted})
    }
    lines = []
    for fitting in fitted:
        model_pk, kind = fitting.unit.unit_model_id, fitting.vehicle.kind
        for rule, version in versions.get((model_pk, kind), versions.get((model_pk, ""), [])):
            own = severities.get(fitting.unit_id, ORDINARY) if rule.subject == "fluid" else ORDINARY
            last = last_services.get((fitting.unit_id, rule.subject))
            lines.append(line_of(fitting, version, last, own, meters, fitting.unit.unit_model.hours_meter))
    return lines


def line_of(
    fitting: Fitting,
    version: RuleVersion,
    last: LastService | None,
    severity: UnitSeverity,
    meters: Mapping[tuple[int, str], Meter],
    hours_meter: str,
) -> Line:
    """Return one line with the meters it counts on. meters: by key of the vehicle and kind."""
    return Line(
        fitting=fitting,
        rule=version.rule,
        version=version,
        last=last,
        factors=severity.factors,
        severity=severity.steps[-1].value,
        severity_steps=severity.steps,
        odometer=meters.get((fitting.vehicle_id, Meter.Kind.ODOMETER)),
        hour_meter=meters.get((fitting.vehicle_id, hours_meter)),
        hours_meter=hours_meter,
    )


def versions_in_force(
    as_of: date, model_pks: Collection[int]
) -> dict[tuple[int, str], list[tuple[IntervalRule, RuleVersion]]]:
    """Return the rules in force per unit model and kind of vehicle; a kind's own rule beats the general one."""
    begun = RuleVersion.objects.filter(rule__unit_model__in=model_pks, applies_from__lte=as_of)
    return in_force_by_kind(begun.select_related("rule__unit_model").order_by("applies_from"))


def in_force_by_kind(
    begun: Iterable[RuleVersion],
) -> dict[tuple[int, str], list[tuple[IntervalRule, RuleVersion]]]:
    """Return the same from the versions that have begun, the oldest first."""
    in_force = {version.rule_id: version for version in begun}
    by_model: dict[int, list[RuleVersion]] = defaultdict(list)
    for version in in_force.values():
        by_model[version.rule.unit_model_id].append(version)
    chosen: dict[tuple[int, str], list[tuple[IntervalRule, RuleVersion]]] = {}
    for model_pk, versions in by_model.items():
        kinds = {version.rule.vehicle_kind for version in versions} | {""}
        for kind in kinds:
            by_subject: dict[str, RuleVersion] = {}
            for version in versions:
                is_own = version.rule.vehicle_kind == kind and kind != ""
                if is_own or (version.rule.vehicle_kind == "" and version.rule.subject not in by_subject):
                    by_subject[version.rule.subject] = version
            chosen[model_pk, kind] = [(version.rule, version) for version in by_subject.values()]
    return chosen


def _usage_rows(meters: list[Meter | None], usage: dict[int, tuple[float, ...]]) -> Usage:
    """Spread the usage of meters over the lines that count on them; lines without a meter get nan."""
    unknown = (np.nan, np.nan, np.nan, np.nan, np.nan, 0, False, 0)
    rows = [usage[meter.pk] if meter else unknown for meter in meters]
    columns = list(zip(*rows, strict=True)) or [() for _ in Usage.__slots__]
    kinds: list[type] = [float, float, float, float, float, np.int64, np.bool_, np.int64]
    return Usage(*(np.array(column, dtype=kind) for column, kind in zip(columns, kinds, strict=True)))


def _line_record(lines: Sequence[Line]) -> LineRecord:
    versions = [line.version for line in lines]
    last = [line.last for line in lines]
    return LineRecord(
        done_day=_column(own.done_on.toordinal() if own and own.done_on else None for own in last),
        months=_column(version.interval_months for version in versions),
        carried_days=_column(own.age_days if own else None for own in last),
        run_limit_days=_column(own.run_limit_days if own else None for own in last),
        scheduled_days=scheduled_days(lines),
        severity=_column(line.severity for line in lines),
        assumed_freshness_share=_column(version.assumed_freshness_share for version in versions),
        cap_share=_column(version.cap_share for version in versions),
        opens_share=_column(version.opens_share for version in versions),
        closes_share=_column(version.closes_share for version in versions),
        policies=np.array([version.policy for version in versions], dtype=np.str_),
    )


def _speeds(lines: Sequence[Line]) -> FloatArray:
    """Return the speed the hours of each line are guessed with; nan where they are not."""
    return np.array([line.guess_km_h for line in lines], dtype=np.float64)


def _meter_record(lines: Sequence[Line], *, is_distance: bool) -> MeterRecord:
    end = "km" if is_distance else "h"

    def of_last(name: str) -> FloatArray:
        return _column(getattr(line.last, f"{name}_{end}") if line.last else None for line in lines)

    return MeterRecord(
        limit=_column(getattr(line.version, f"interval_{end}") for line in lines),
        at_job=of_last("unit"),
        unit_at_fit=_column(getattr(line.fitting, f"unit_{end}_at_fit") for line in lines),
        vehicle_at_fit=_column(getattr(line.fitting, f"vehicle_{end}_at_fit") for line in lines),
        carried=of_last("age"),
        run_limit=of_last("run_limit"),
        scheduled=scheduled_runs(lines, is_distance=is_distance),
    )


def _use_ahead(as_of: date, lines: Sequence[Line], usage: Usage, *, is_distance: bool) -> UseAhead:
    if all(line.fitting.vehicle.season is None for line in lines):
        return UseAhead.as_measured(usage)
    stretches: list[list[Stretch]] = []
    reference, sigma = usage.rate_per_day.copy(), usage.sigma_per_sqrt_day.copy()
    for row, line in enumerate(lines):
        is_guess = not is_distance and isfinite(line.guess_km_h)
        # What is typed and usual for a season is in the odometer's km, so a guess is made of what they come to.
        km_h = line.guess_km_h if is_guess else 1.0
        meter = line.odometer if is_distance or is_guess else line.hour_meter
        use = MeasuredUse(
            _day_or_none(usage.last_day[row]),
            float(usage.rate_per_day[row]) * km_h,
            float(usage.sigma_per_sqrt_day[row]) * km_h,
            _or_nan(meter.class_rate_per_day if meter else None),
            is_driving=is_distance or line.hours_meter == Meter.Kind.HOURS,
        )
        own, at_rate, scatter = stretches_of(line.fitting.vehicle, as_of, use)
        reference[row], sigma[row] = at_rate / km_h, scatter / km_h
        stretches.append([Stretch(one.starts_days, one.rate_per_day / km_h) for one in own])
    most = max(len(own) for own in stretches)
    starts, rates = np.full((len(lines), most), np.nan), np.full((len(lines), most), np.nan)
    for row, own in enumerate(stretches):
        starts[row, : len(own)] = [stretch.starts_days for stretch in own]
        rates[row, : len(own)] = [stretch.rate_per_day for stretch in own]
    return UseAhead(reference, sigma, starts, rates)


def _column(values: Iterable[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _day_or_none(ordinal: float) -> date | None:
    return None if np.isnan(ordinal) else date.fromordinal(int(ordinal))


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)
