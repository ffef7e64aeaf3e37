"""What a person may see: every page and endpoint starts from one of these."""

from django.db.models import QuerySet

from shop.models import DailyRun, Depot, DueLine, Job, Person, ProposedLine, Reading, Unit, Vehicle


def depots_of(person: Person) -> QuerySet[Depot]:
    """Return the depots a person sees; a superuser sees all."""
    return Depot.objects.all() if person.is_superuser else person.depots.all()


def depots_seen(person: Person) -> list[Depot]:
    """Return the same, read once for a person: each request has its own."""
    if not hasattr(person, "_depots_seen"):
        person._depots_seen = list(depots_of(person))
    return person._depots_seen


def vehicles_of(person: Person) -> QuerySet[Vehicle]:
    """Return the vehicles of the person's depots."""
    return Vehicle.objects.filter(depot__in=depots_of(person)).select_related("depot")


def units_of(person: Person) -> QuerySet[Unit]:
    """Return the units fitted now to vehicles of the person's depots."""
    return (
        Unit.objects.filter(fittings__removed_on__isnull=True, fittings__vehicle__depot__in=depots_of(person))
        .select_related("unit_model")
        .distinct()
    )


def due_lines_of(person: Person) -> QuerySet[DueLine]:
    """Return the due lines of the person's depots with all a row shows."""
    lines = DueLine.objects.select_related("vehicle__depot", "unit__unit_model__product", "rule")
    return lines if person.is_superuser else lines.filter(vehicle__depot__in=depots_of(person))


def readings_of(person: Person) -> QuerySet[Reading]:
    """Return the readings of vehicles of the person's depots."""
    return Reading.objects.filter(meter__vehicle__depot__in=depots_of(person)).select_related(
        "meter__vehicle__depot"
    )


def proposed_lines_of(person: Person) -> QuerySet[ProposedLine]:
    """Return the ordering list of the shelves that serve the person's depots."""
    shelves = {depot.stores_at_id or depot.pk for depot in depots_of(person)}
    return ProposedLine.objects.filter(depot__in=shelves).select_related("depot", "product", "supplier")


def jobs_of(person: Person) -> QuerySet[Job]:
    """Return the jobs on vehicles of the person's depots."""
    return Job.objects.filter(vehicle__depot__in=depots_of(person)).select_related(
        "vehicle", "unit__unit_model"
    )


def runs_of(person: Person) -> QuerySet[DailyRun]:
    """Return the daily runs of the person's depots."""
    return DailyRun.objects.filter(depot__in=depots_of(person)).select_related("depot")
