"""Which units a daily run has to work out: those with news, those near or past a day that counts."""

from datetime import date

from django.db.models import Q, QuerySet

from shop.models import DueLine, Fitting, Recall, RuleVersion, SeverityFactor


def due_candidates(depot_pk: int, marked: set[int], since: date, as_of: date) -> QuerySet[Fitting]:
    """Return the fitted units whose lines may differ from what is stored.

    A unit without news, whose window does not open before the day asked about, needs no new figures: its days stand,
    and what it has used by today is worked out when somebody looks. Taken are vehicles with a mark; units with a line
    that is anything but “not yet”, or whose window opens by now; units whose rule or severity changed or ended by date;
    vehicles a recall stops by date; and vehicles that left.

    marked: vehicles with news. since: day of the last run that is done.
    """
    lines = DueLine.objects.filter(vehicle__depot=depot_pk)
    near = lines.filter(~Q(state="not yet") | Q(opens_on__lte=as_of) | Q(must_not_move=True))
    rules = RuleVersion.objects.filter(applies_from__gt=since, applies_from__lte=as_of)
    factors = SeverityFactor.objects.filter(
        Q(applies_from__gt=since, applies_from__lte=as_of) | Q(ends_on__gt=since, ends_on__lte=as_of)
    )
    # A recall reaches lines that are “not yet” only by stopping the vehicle; all other lines are taken anyway.
    stops = Recall.objects.filter(kind=Recall.Kind.STOP_DRIVE, from_day__gt=since, from_day__lte=as_of)
    return Fitting.objects.filter(vehicle__depot=depot_pk).filter(
        Q(vehicle__in=marked)
        | Q(unit__in=near.values("unit"))
        | Q(unit__unit_model__in=rules.values("rule__unit_model"))
        | Q(unit__in=factors.values("unit"))
        | Q(vehicle__in=_stopped_by(stops))
        | Q(vehicle__leaves_on__gte=since, vehicle__leaves_on__lt=as_of)
    )


def _stopped_by(recalls: QuerySet[Recall]) -> QuerySet[Fitting]:
    """Return the vehicles that may be stopped: those named and those that carry a unit model named."""
    return (
        Fitting.objects.filter(removed_on__isnull=True)
        .filter(Q(unit__unit_model__recalls__in=recalls) | Q(vehicle__recalls__in=recalls))
        .values("vehicle")
    )
