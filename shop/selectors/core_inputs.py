"""Turns rows into the arrays that `intervals` works on: one entry per unit and rule, gathered in bulk."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
from django.db.models import Max, QuerySet

from intervals.as_driven import Wear, clock_as_driven
from intervals.due import Clock, TimeClock
from intervals.duty import SeverityStep
from intervals.fluid_age import next_due, time_clock_days_array
from intervals.usage import Usage, usage_from_readings
from shop.models import Fitting, IntervalRule, LastService, Meter, Reading, RuleVersion, SeverityFactor
from shop.selectors.cadence import scheduled_days, scheduled_runs
from shop.selectors.seasons import MeasuredUse, Stretch, stretches_of
from shop.selectors.severity import ORDINARY, driven_wear, severities_of

FloatArray = npt.NDArray[np.float64]
LOOK_BACK_DAYS = 120
"""Readings older than this before a meter's last one cannot move its rate, which looks back 90 days."""

MEAN_MONTH_DAYS = 365.25 / 12

SOURCE_TRUST = [
    Reading.Source.WORKSHOP,
    Reading.Source.TELEMATICS,
    Reading.Source.FUEL_CARD,
    Reading.Source.DRIVER,
]
"""Which source counts when two were read on one day: the first named. They are ranked, never averaged."""


@dataclass(frozen=True, slots=True)
class Line:
    """One unit under one rule version, with everything about it that is a row."""

    fitting: Fitting
    rule: IntervalRule
    version: RuleVersion
    last: LastService | None
    factors: tuple[SeverityFactor, ...]
    severity: float
    severity_steps: tuple[SeverityStep, ...]
    odometer: Meter | None
    hour_meter: Meter | None


@dataclass(frozen=True, slots=True)
class CoreInputs:
    """The lines and, in the same order, the arrays `compute_due` takes."""

    as_of: date
    lines: tuple[Line, ...]
    distance: Clock
    hours: Clock
    time: TimeClock
    opens_share: FloatArray
    closes_share: FloatArray
    distance_usage: Usage
    hours_usage: Usage
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
    odometers = [line.odometer for line in lines]
    hour_meters = [line.hour_meter for line in lines]
    distance_usage = usage_of([meter for meter in odometers if meter], as_of)
    hours_usage = usage_of([meter for meter in hour_meters if meter], as_of)
    distance_rows, hours_rows = (
        _usage_rows(odometers, distance_usage),
        _usage_rows(hour_meters, hours_usage),
    )
    return _inputs(
        as_of,
        lines,
        distance_rows,
        hours_rows,
        driven_wear(as_of, lines, distance_rows, SOURCE_TRUST, is_distance=True),
        driven_wear(as_of, lines, hours_rows, SOURCE_TRUST, is_distance=False),
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
    return CoreInputs(
        as_of=as_of,
        lines=tuple(lines),
        distance=_meter_clock(as_of, lines, distance_rows, distance_wear, is_distance=True),
        hours=_meter_clock(as_of, lines, hours_rows, hours_wear, is_distance=False),
        time=_time_clock(as_of, lines),
        opens_share=np.array([line.version.opens_share for line in lines], dtype=np.float64),
        closes_share=np.array([line.version.closes_share for line in lines], dtype=np.float64),
        distance_usage=distance_rows,
        hours_usage=hours_rows,
        distance_wear=distance_wear,
        hours_wear=hours_wear,
    )


def usage_of(meters: Collection[Meter], as_of: date) -> dict[int, tuple[float, ...]]:
    """Return, per meter, its usage figures (the fields of `Usage`) from the accepted readings up to a day."""
    by_pk = {meter.pk: meter for meter in meters}
    readings = _accepted_readings(list(by_pk), as_of)
    most = max((len(days) for days in readings.values()), default=0) or 1
    day_numbers = np.full((len(by_pk), most), np.nan)
    totals = np.full((len(by_pk), most), np.nan)
    for row, pk in enumerate(by_pk):
        for column, day in enumerate(sorted(readings[pk])):
            day_numbers[row, column] = day.toordinal()
            totals[row, column] = readings[pk][day]
    class_rates = np.array([_or_nan(meter.class_rate_per_day) for meter in by_pk.values()], dtype=np.float64)
    usage = usage_from_readings(day_numbers, totals, as_of.toordinal(), class_rates)
    return {pk: tuple(getattr(usage, name)[row] for name in Usage.__slots__) for row, pk in enumerate(by_pk)}


def _accepted_readings(meter_pks: list[int], as_of: date) -> dict[int, dict[date, float]]:
    """Return meter → day → true total; where two sources read on one day the more trusted one counts."""
    accepted = Reading.objects.filter(
        meter__in=meter_pks, status=Reading.Status.ACCEPTED, read_on__lte=as_of
    ).order_by()
    newest = dict(accepted.values_list("meter").annotate(Max("read_on")))
    oldest_needed = min(newest.values(), default=as_of) - timedelta(days=LOOK_BACK_DAYS)
    trust = {str(source): place for place, source in enumerate(SOURCE_TRUST)}
    best: dict[int, dict[date, tuple[int, float, float]]] = defaultdict(dict)
    rows = accepted.filter(read_on__gte=oldest_needed).values_list(
        "meter", "read_on", "source", "read_at", "true_total"
    )
    for meter, day, source, read_at, total in rows:
        if day < newest[meter] - timedelta(days=LOOK_BACK_DAYS):
            continue
        candidate = (trust[source], -read_at.timestamp(), total)
        if day not in best[meter] or candidate < best[meter][day]:
            best[meter][day] = candidate
    return defaultdict(dict, {pk: {day: row[2] for day, row in days.items()} for pk, days in best.items()})


def _lines(as_of: date, fitted: list[Fitting]) -> list[Line]:
    unit_pks = [fitting.unit_id for fitting in fitted]
    versions = _versions(as_of, {fitting.unit.unit_model_id for fitting in fitted})
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
            lines.append(
                Line(
                    fitting=fitting,
                    rule=rule,
                    version=version,
                    last=last_services.get((fitting.unit_id, rule.subject)),
                    factors=own.factors,
                    severity=own.steps[-1].value,
                    severity_steps=own.steps,
                    odometer=meters.get((fitting.vehicle_id, Meter.Kind.ODOMETER)),
                    hour_meter=meters.get((fitting.vehicle_id, Meter.Kind.HOURS)),
                )
            )
    return lines


def _versions(
    as_of: date, model_pks: set[int]
) -> dict[tuple[int, str], list[tuple[IntervalRule, RuleVersion]]]:
    """Return the rules in force per unit model and kind of vehicle; a kind's own rule beats the general one."""
    in_force: dict[int, RuleVersion] = {}
    for version in (
        RuleVersion.objects.filter(rule__unit_model__in=model_pks, applies_from__lte=as_of)
        .select_related("rule")
        .order_by("applies_from")
    ):
        in_force[version.rule_id] = version
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


def _meter_clock(as_of: date, lines: list[Line], usage: Usage, wear: Wear, *, is_distance: bool) -> Clock:
    interval, since, age, f_ref, cap, run_limit = (np.full(len(lines), np.nan) for _ in range(6))
    policies = [line.version.policy for line in lines]
    stretches: list[list[Stretch]] = []
    reference, sigma = usage.rate_per_day.copy(), usage.sigma_per_sqrt_day.copy()
    stale_days = usage.stale_days.copy()
    for row, line in enumerate(lines):
        limit = line.version.interval_km if is_distance else line.version.interval_h
        f_ref[row], cap[row] = line.version.assumed_freshness_share, line.version.cap_share
        if limit is not None:
            interval[row] = limit / line.severity
            since[row] = _since(line, usage.last_total[row], is_distance=is_distance)
            age[row] = _or_nan(_carried(line, is_distance=is_distance))
            if line.last is not None:
                run_limit[row] = _or_nan(line.last.run_limit_km if is_distance else line.last.run_limit_h)
            if since[row] < 0 and line.last and line.last.done_on:
                days_since_job = float((as_of - line.last.done_on).days)
                if days_since_job <= stale_days[row]:
                    # The job read the meter after the last reading: count from the job.
                    since[row], stale_days[row] = 0.0, days_since_job
        meter = line.odometer if is_distance else line.hour_meter
        use = MeasuredUse(
            _day_or_none(usage.last_day[row]),
            float(usage.rate_per_day[row]),
            float(usage.sigma_per_sqrt_day[row]),
            _or_nan(meter.class_rate_per_day if meter else None),
        )
        own, reference[row], sigma[row] = stretches_of(line.fitting.vehicle, as_of, use)
        stretches.append(own)
    most = max((len(own) for own in stretches), default=1)
    starts, rates = np.full((len(lines), most), np.nan), np.full((len(lines), most), np.nan)
    for row, own in enumerate(stretches):
        starts[row, : len(own)] = [stretch.starts_days for stretch in own]
        rates[row, : len(own)] = [stretch.rate_per_day for stretch in own]
    allowed = _held_to(
        run_limit * wear.job_factor, next_due(interval, age * wear.age_factor, f_ref, cap, policies)
    )
    clock = Clock(
        interval=interval,
        since_at_reading=since,
        next_run=allowed + scheduled_runs(lines, is_distance=is_distance) * wear.job_factor,
        stale_days=stale_days,
        reference_rate=reference,
        sigma_per_sqrt_day=sigma,
        segment_starts_days=starts,
        segment_rates=rates,
    )
    return clock_as_driven(clock, wear)


def _since(line: Line, last_total: float, *, is_distance: bool) -> float:
    """Return the unit's own run from its last job to the last reading; nan when one of the two is not known."""
    if line.last is None:
        return np.nan
    fitting = line.fitting
    if is_distance:
        at_job, at_fit, vehicle_at_fit = line.last.unit_km, fitting.unit_km_at_fit, fitting.vehicle_km_at_fit
    else:
        at_job, at_fit, vehicle_at_fit = line.last.unit_h, fitting.unit_h_at_fit, fitting.vehicle_h_at_fit
    return float(last_total) - vehicle_at_fit + at_fit - _or_nan(at_job)


def _carried(line: Line, *, is_distance: bool) -> float | None:
    if line.last is None:
        return None
    return line.last.age_km if is_distance else line.last.age_h


def _time_clock(as_of: date, lines: list[Line]) -> TimeClock:
    days = np.array([line.last.done_on if line.last else None for line in lines], dtype="datetime64[D]")
    months = np.array([_or_nan(line.version.interval_months) for line in lines], dtype=np.float64)
    carried = np.array([_or_nan(line.last.age_days if line.last else None) for line in lines])
    interval, allowed = time_clock_days_array(
        days,
        months,
        carried,
        np.array([line.version.assumed_freshness_share for line in lines], dtype=np.float64),
        np.array([line.version.cap_share for line in lines], dtype=np.float64),
        [line.version.policy for line in lines],
    )
    run_limit = np.array([_or_nan(line.last.run_limit_days if line.last else None) for line in lines])
    allowed = _held_to(run_limit, allowed) + scheduled_days(lines)
    since = (np.datetime64(as_of, "D") - days).astype("timedelta64[D]").astype(np.float64)
    since[np.isnat(days)] = np.nan
    # A rule with a calendar clock whose last job is not known still has that clock: it cannot be said.
    return TimeClock(
        np.where(np.isfinite(months) & np.isnat(days), months * MEAN_MONTH_DAYS, interval), since, allowed
    )


def _held_to(limit: FloatArray, run: FloatArray) -> FloatArray:
    """Hold a run to a limit where there is one; an unknown run stays unknown."""
    return np.where(np.isnan(limit), run, np.minimum(run, limit))


def _day_or_none(ordinal: float) -> date | None:
    return None if np.isnan(ordinal) else date.fromordinal(int(ordinal))


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)
