"""How much run a job earns that renewed less of the fluid than its rule takes for granted."""

import datetime
from dataclasses import dataclass
from math import isfinite

from shop.models import Fitting, LastService
from shop.selectors.core_inputs import Line, gather
from shop.services.job_standing import schedule_drop
from shop.services.last_service import Done, Totals


@dataclass(frozen=True, slots=True)
class RunLimits:
    """Longest run until the next job on each clock, km, h and days; None where the rule alone decides."""

    km: float | None = None
    h: float | None = None
    days: float | None = None


def run_limits(fitting: Fitting, done: Done, totals: Totals, fresh_share: float) -> RunLimits:
    """Return the limits a fluid job sets.

    A rule's interval counts on a fresh share of f_ref at each service. A job with less, f, earns only that part of
    the interval on top of what was left: `limit = left + cap * I * f / f_ref`. So half a litre poured in near the end
    cannot start the interval anew. A job with f_ref or more sets no limit.
    """
    inputs = gather(done.done_on, Fitting.objects.filter(pk=fitting.pk))
    for row, line in enumerate(inputs.lines):
        earned = fresh_share / line.version.assumed_freshness_share
        if line.rule.subject != done.subject or line.last is None or earned >= 1.0:
            continue
        part = earned * line.version.cap_share
        since_days = float((done.done_on - line.last.done_on).days) if line.last.done_on else None
        return RunLimits(
            km=_limit(
                part,
                inputs.distance.interval[row],
                inputs.distance.next_run[row],
                _run(line, totals, float(inputs.distance_wear.extra_run[row]), is_distance=True),
            ),
            h=_limit(
                part,
                inputs.hours.interval[row],
                inputs.hours.next_run[row],
                _run(line, totals, float(inputs.hours_wear.extra_run[row]), is_distance=False),
            ),
            days=_limit(part, inputs.time.interval_days[row], inputs.time.next_days[row], since_days),
        )
    return RunLimits()


def limits_reshare(last: LastService, done_on: datetime.date, share: float) -> None:
    """Move the limits of a last-service row (not saved) from its own fresh share to another.

    What was left before the job is part of a limit there is; a job that set none is credited nothing that was left.
    """
    fitting = Fitting.objects.filter(unit=last.unit_id, removed_on__isnull=True)
    inputs = gather(done_on, fitting)
    row = next((at for at, line in enumerate(inputs.lines) if line.rule.subject == last.subject), None)
    if row is None or last.fresh_share is None:
        return
    version = inputs.lines[row].version
    was, now = (one / version.assumed_freshness_share for one in (last.fresh_share, share))
    if now >= 1.0:
        limits_keep(last, RunLimits())
        return
    schedule_drop(last)
    intervals = {
        "run_limit_km": inputs.distance.interval[row],
        "run_limit_h": inputs.hours.interval[row],
        "run_limit_days": inputs.time.interval_days[row],
    }
    for name, interval in intervals.items():
        limit = getattr(last, name)
        if interval != interval or (limit is None and was < 1.0):
            continue
        left = 0.0 if limit is None else max(0.0, limit - was * version.cap_share * interval)
        setattr(last, name, left + now * version.cap_share * float(interval))


def limits_keep(last: LastService, limits: RunLimits) -> None:
    """Note the limits on a unit's last-service row (not saved)."""
    last.run_limit_km, last.run_limit_h, last.run_limit_days = limits.km, limits.h, limits.days


def _run(line: Line, totals: Totals, extra: float, *, is_distance: bool) -> float | None:
    """Return the run since the last job as it counts at the severity of the day, km or h."""
    is_guess = not is_distance and isfinite(line.guess_km_h)
    km_per_run = line.guess_km_h if is_guess else 1.0
    by_km = is_distance or is_guess
    total, then = (totals.km, line.last.unit_km) if by_km else (totals.h, line.last.unit_h)
    return None if total is None or then is None else (total - then) / km_per_run + extra


def _limit(part: float, interval: float, allowed: float, run: float | None) -> float | None:
    if run is None or interval != interval or allowed != allowed:
        return None
    return max(0.0, float(allowed) - run) + part * float(interval)
