"""Units whose severity is measured, and which wait for a person: a step is proposed, or the evidence ran out."""

import datetime
from dataclasses import dataclass

from django.db.models import F, Prefetch, Window
from django.db.models.functions import DenseRank

from intervals.duty import LEAST_EVIDENCE_MONTHS
from intervals.measured_duty import NOTHING, SeverityProposal, evidence_ran_out, measured_duty
from shop import clock
from shop.models import Fitting, Person, SeverityFactor, TemperatureHours, Unit, Vehicle
from shop.selectors.access import depots_of
from shop.selectors.severity import severity_by
from shop.selectors.severity_page import months_of, proposal_for


@dataclass(frozen=True, slots=True)
class MeasuredUnit:
    """A unit with temperature hours or a measured severity.

    Attributes:
        value, is_measured: the severity of today, and whether it is the measured one.
        newest: first day of the newest month with hours; None without.
        proposal: what its hours propose.
        has_run_out: the measured one counts still, but no hours of late bear it out.
    """

    unit: Unit
    vehicle: Vehicle
    value: float
    is_measured: bool
    newest: datetime.date | None
    proposal: SeverityProposal
    has_run_out: bool

    @property
    def has_step(self) -> bool:
        """Whether its hours propose something a person has not taken up."""
        return self.proposal.action != NOTHING

    @property
    def is_open(self) -> bool:
        """Whether a person has to decide."""
        return self.has_step or self.has_run_out


def measured_units(person: Person) -> list[MeasuredUnit]:
    """Return the person's units whose severity is measured or could be, by code, in three queries."""
    hours = TemperatureHours.objects.order_by().values("unit")
    factors = SeverityFactor.objects.filter(basis=SeverityFactor.Basis.MEASURED, ends_on__isnull=True)
    # One set of keys to look fittings up by: asked of each fitting, both would be looked up for the whole fleet.
    measured = hours.union(factors.order_by().values("unit"))
    # A proposal rests on the newest months alone, however many are on record.
    newest = TemperatureHours.objects.annotate(
        place=Window(DenseRank(), partition_by=F("unit"), order_by=F("month").desc())
    ).filter(place__lte=LEAST_EVIDENCE_MONTHS)
    fitted = (
        Fitting.objects.filter(removed_on__isnull=True, vehicle__depot__in=depots_of(person))
        .filter(unit__in=measured)
        .select_related("unit", "vehicle__depot")
        .prefetch_related(Prefetch("unit__temperature_hours", newest), "unit__severity_factors")
        .order_by("unit__code")
    )
    return [_measured(own) for own in fitted]


def _measured(fitting: Fitting) -> MeasuredUnit:
    unit, today = fitting.unit, clock.today(fitting.vehicle.depot.time_zone)
    factors, months = list(unit.severity_factors.all()), months_of(unit)
    now = severity_by(factors, today)
    is_measured = any(own.basis == SeverityFactor.Basis.MEASURED for own in now.factors)
    newest = months[0].month if months else None
    proposal = proposal_for(measured_duty(months), factors)
    return MeasuredUnit(
        unit, fitting.vehicle, now.steps[-1].value, is_measured, newest, proposal,
        is_measured and evidence_ran_out(newest, today),
    )  # fmt: skip
