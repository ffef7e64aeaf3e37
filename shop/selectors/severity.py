"""Severity of units as it went, and the wear of their runs since the last job."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from intervals.as_driven import Wear, wear_of
from intervals.duty import FactorSpan, SeverityStep, factors_on, severity_steps
from intervals.usage import Usage
from shop.models import Reading, SeverityFactor

if TYPE_CHECKING:
    from shop.selectors.core_inputs import Line


@dataclass(frozen=True, slots=True)
class UnitSeverity:
    """A unit's severity from each day on, the newest last, and the factors that make the newest."""

    steps: tuple[SeverityStep, ...]
    factors: tuple[SeverityFactor, ...]


ORDINARY = UnitSeverity((SeverityStep(date.min, 1.0),), ())
"""The severity of a unit nobody has said anything about."""


def severities_of(as_of: date, unit_pks: Collection[int]) -> dict[int, UnitSeverity]:
    """Return the severity of units by key up to a day, in one query; units without a factor are left out."""
    grouped: dict[int, list[SeverityFactor]] = defaultdict(list)
    begun = SeverityFactor.objects.filter(unit__in=unit_pks, applies_from__lte=as_of)
    for factor in begun.order_by("applies_from", "pk"):
        grouped[factor.unit_id].append(factor)
    return {unit_pk: severity_by(own, as_of) for unit_pk, own in grouped.items()}


def severity_by(factors: Sequence[SeverityFactor], as_of: date) -> UnitSeverity:
    """Return the severity that one unit's factors make up to a day."""
    spans = {
        FactorSpan(
            factor.reason,
            factor.factor,
            factor.applies_from,
            factor.ends_on,
            factor.basis == SeverityFactor.Basis.MEASURED,
        ): factor
        for factor in factors
    }
    return UnitSeverity(
        severity_steps(list(spans), as_of), tuple(spans[span] for span in factors_on(spans, as_of))
    )


def driven_wear(
    as_of: date, lines: Sequence["Line"], usage: Usage, trust: Sequence[str], *, is_distance: bool
) -> Wear:
    """Return how the past of the lines' distance or hour clocks counts at the severity of today.

    Reads the meters of those lines only whose severity has ever changed: one query, or none.

    usage: of the lines' meters. trust: sources of readings, the one that counts first.
    """
    changed = {
        row: meter.pk
        for row, line in enumerate(lines)
        if len(line.severity_steps) > 1 and line.last is not None
        if (meter := line.odometer if is_distance else line.hour_meter) is not None
    }
    if not changed:
        return Wear.even(len(lines))
    totals = _totals_by_day(as_of, set(changed.values()), trust)
    most = max(len(lines[row].severity_steps) for row in changed)
    starts, severities, runs = (np.full((len(lines), most), np.nan) for _ in range(3))
    severities[:, 0] = 1.0
    whole, job_days, age_severity = (np.full(len(lines), np.nan) for _ in range(3))
    for row, meter_pk in changed.items():
        steps, last = lines[row].severity_steps, lines[row].last
        severities[row, : len(steps)] = [step.value for step in steps]
        starts[row, 1 : len(steps)] = [float((step.begins - as_of).days) for step in steps[1:]]
        own = last.age_severity_km if is_distance else last.age_severity_h
        age_severity[row] = np.nan if own is None else own
        at_job = total_at_job(lines[row], is_distance=is_distance)
        whole[row] = usage.last_total[row] - at_job
        seen = dict(totals[meter_pk])
        if last.done_on is not None:
            job_days[row] = float((last.done_on - as_of).days)
            seen = {day: total for day, total in seen.items() if day > last.done_on}
            seen[last.done_on] = at_job
        days = sorted(seen)
        asked = [step.begins.toordinal() for step in steps]
        if days and np.isfinite(at_job):
            known = [day.toordinal() for day in days]
            runs[row, : len(steps)] = np.interp(asked, known, [seen[day] for day in days]) - at_job
    return wear_of(starts, severities, runs, whole, job_days, age_severity)


def total_at_job(line: "Line", *, is_distance: bool) -> float:
    """Return what the vehicle's meter stood at when the line's last job was done; nan when not known."""
    fitting, last = line.fitting, line.last
    at_job = None if last is None else (last.unit_km if is_distance else last.unit_h)
    if at_job is None:
        return float("nan")
    if is_distance:
        return at_job - fitting.unit_km_at_fit + fitting.vehicle_km_at_fit
    return at_job - fitting.unit_h_at_fit + fitting.vehicle_h_at_fit


def _totals_by_day(as_of: date, meter_pks: set[int], trust: Sequence[str]) -> dict[int, dict[date, float]]:
    """Return meter → day → true total from all accepted readings; the most trusted source of a day counts."""
    rank = {str(source): place for place, source in enumerate(trust)}
    rows = Reading.objects.filter(
        meter__in=meter_pks, status=Reading.Status.ACCEPTED, read_on__lte=as_of
    ).values_list("meter", "read_on", "source", "read_at", "true_total")
    found: dict[int, dict[date, float]] = defaultdict(dict)
    for meter, day, _, _, total in sorted(rows, key=lambda row: (-rank[row[2]], row[3])):
        found[meter][day] = total
    return found


@dataclass(frozen=True, slots=True)
class StretchRun:
    """A stretch of a run since the last job with the severity it was driven with, km or h.

    Attributes:
        begins: its first day; None where it reaches back to the job or before.
        severity: what it counted with.
        run: the distance or hours up to the last reading.
        counts_as: what they count as of the interval as the maker wrote it.
    """

    begins: date | None
    severity: float
    run: float
    counts_as: float


def stretches_driven(line: "Line", wear: Wear, row: int, run_to_reading: float) -> tuple[StretchRun, ...]:
    """Return the run since the last job by severity; none where the severity did not change."""
    steps = line.severity_steps
    if len(steps) < 2 or not np.isfinite(run_to_reading):
        return ()
    begins = [*wear.runs[row, : len(steps)], run_to_reading]
    done_on = line.last.done_on if line.last else None
    found = []
    for at, step in enumerate(steps):
        run = float(begins[at + 1] - begins[at])
        is_from_job = at == 0 or (done_on is not None and step.begins <= done_on)
        if run > 0 or at == len(steps) - 1:
            found.append(StretchRun(None if is_from_job else step.begins, step.value, run, run * step.value))
    return tuple(found) if len(found) > 1 else ()
