"""Totals that were worked out from a meter's readings, moved when those readings count anew."""

import datetime
from dataclasses import dataclass, field
from math import isnan

from django.db.models import Q

from shop.models import ChangeRecord, Fitting, Job, LastService, Meter
from shop.selectors.meter_usage import usage_of
from shop.services.changes import change_note
from shop.services.job_consequences import follow_again, jobs_behind, stood
from shop.services.meter_history import total_on

_DUST = 1e-6


@dataclass(slots=True)
class MovedTotals:
    """What stood on a meter's totals from a day on, as it was before its changes changed.

    A job closed after the day noted the unit's total as the meter said it then; so did the last service that came of
    it. They move by as much as the meter's total of their day moves. What was typed without a job, and where a unit
    was fitted, moves by as much as the count of that day. What followed from the jobs for the fluid (the age carried
    over, the longest run earned, the scheduled point) is then worked out again, job after job.
    """

    meter: Meter
    name: str
    jobs: list[Job]
    services: list[LastService]
    fittings: list[Fitting]
    behind: dict[int, list[Job]] = field(default_factory=dict)
    totals: dict[datetime.date, float] = field(default_factory=dict)
    counts: dict[datetime.date, float] = field(default_factory=dict)

    @classmethod
    def before(cls, meter: Meter, day: datetime.date) -> "MovedTotals":
        """Note what stands on the meter's totals from a day on."""
        name = "unit_h" if meter.counts_hours else "unit_km"
        # Of an hour meter only what belongs to units whose hours it counts.
        own_units = {"unit__unit_model__hours_meter": meter.kind} if meter.counts_hours else {}
        jobs = Job.objects.filter(
            vehicle=meter.vehicle_id,
            done_on__gte=day,
            state=Job.State.HANDED_BACK,
            **{f"{name}__isnull": False},
            **own_units,
        )
        services = LastService.objects.filter(
            unit__in=Fitting.objects.filter(
                Q(vehicle=meter.vehicle_id), Q(removed_on__isnull=True) | Q(removed_on__gt=day)
            ).values("unit"),
            done_on__gte=day,
            **{f"{name}__isnull": False},
            **own_units,
        ).select_related("unit")
        fittings = Fitting.objects.filter(
            vehicle=meter.vehicle_id, fitted_on__gte=day, **own_units
        ).select_related("unit")
        found = cls(meter, name, list(jobs.select_related("unit")), list(services), list(fittings))
        own = {job.pk: job for job in found.jobs}
        found.behind = {last.pk: jobs_behind(last, own) for last in found.services}
        found.totals, found.counts = found._totals(), found._counts()
        return found

    def move(self, why: str) -> list[ChangeRecord]:
        """Move them by what the totals of their days moved since; return the change records, not yet written.

        why: what the change records give as the reason.
        """
        totals, counts = self._totals(), self._counts()
        by_total = {day: totals[day] - self.totals[day] for day in totals}
        by_count = {day: counts[day] - self.counts[day] for day in counts}
        at_fit = "vehicle_km_at_fit" if self.name == "unit_km" else "vehicle_h_at_fit"
        notes = []
        for job in self.jobs:
            notes += _shifted(job, self.name, by_total[job.done_on], f"{job.code} {job.unit.code}", why)
        for fitting in self.fittings:
            notes += _shifted(
                fitting, at_fit, by_count[fitting.fitted_on], f"{fitting.unit.code} fitted", why
            )
        own_jobs = {(job.pk, job.done_on) for job in self.jobs}
        for last in self.services:
            key, jobs = f"{last.unit.code} {last.subject}", self.behind[last.pk]
            if jobs:
                notes += self._followed_again(last, jobs, by_total, by_count, key, why)
            else:
                moved = by_total if (last.job_id, last.done_on) in own_jobs else by_count
                notes += _shifted(last, self.name, moved[last.done_on], key, why)
        return notes

    def _followed_again(
        self,
        last: LastService,
        jobs: list[Job],
        by_total: dict[datetime.date, float],
        by_count: dict[datetime.date, float],
        key: str,
        why: str,
    ) -> list[ChangeRecord]:
        """Work out again what followed from the jobs behind a last service, if anything they count on moved."""
        first, day = jobs[0].stood_before, _day_before(jobs)
        own_jobs = {(job.pk, job.done_on) for job in self.jobs}
        moved = by_total if (first.get("job_id"), day) in own_jobs else by_count
        by = moved.get(day, 0.0)
        if not any(abs(one) > _DUST for one in (by, *(by_total[job.done_on] for job in jobs))):
            return []
        if first.get(self.name) is not None:
            jobs[0].stood_before = first | {self.name: max(0.0, first[self.name] + by)}
        before = stood(last)
        follow_again(last, jobs)
        after = {name: value for name, value in stood(last).items() if value != before[name]}
        was = {name: before[name] for name in after}
        return [change_note(last, key, before=was, after={**after, "why": why})] if after else []

    def _days(self) -> set[datetime.date]:
        rows = [own.done_on for own in (*self.jobs, *self.services)]
        fitted = [own.fitted_on for own in self.fittings]
        before = [day for jobs in self.behind.values() if jobs and (day := _day_before(jobs)) is not None]
        return {*rows, *fitted, *before}

    def _totals(self) -> dict[datetime.date, float]:
        """Return what the readings say the meter's total was on each day, as a job without a typed one takes it."""
        found = {}
        for day in {job.done_on for job in self.jobs}:
            rate, _, last_total, _, stale_days, *_ = usage_of([self.meter], day)[self.meter.pk]
            ahead = rate * stale_days if stale_days else 0.0
            found[day] = float(last_total) if isnan(ahead) else float(last_total + ahead)
        return found

    def _counts(self) -> dict[datetime.date, float]:
        """Return the total behind a count of zero on each day."""
        return {day: total_on(0.0, day, self.meter, self.meter.changes.all()) for day in self._days()}


def _day_before(jobs: list[Job]) -> datetime.date | None:
    """Return the day of the service before the first of a unit's jobs; None where none is known."""
    day = jobs[0].stood_before.get("done_on")
    return None if day is None else datetime.date.fromisoformat(day)


def _shifted(
    row: Job | LastService | Fitting, name: str, by: float, key: str, why: str
) -> list[ChangeRecord]:
    if not abs(by) > _DUST:
        return []
    before = getattr(row, name)
    setattr(row, name, max(0.0, before + by))
    row.save(update_fields=[name])
    return [change_note(row, key, before={name: before}, after={name: getattr(row, name), "why": why})]
