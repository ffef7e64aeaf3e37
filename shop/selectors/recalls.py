"""Recalls and bulletins: which vehicles and units each is about, and where it is still open."""

import datetime
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from django.db.models import QuerySet

from shop import clock
from shop.models import Fitting, Person, Recall, RecallClosing, Vehicle
from shop.selectors.access import vehicles_of


@dataclass(frozen=True, slots=True)
class Concerned:
    """A vehicle a recall is about, with the unit if it is about one."""

    recall: Recall
    vehicle_pk: int
    unit_pk: int | None


def concerned_by(recalls: Collection[Recall], vehicle_pks: Collection[int]) -> list[Concerned]:
    """Return which of some vehicles the recalls are about, in a number of queries that does not grow with either.

    recalls: with `unit_models` and `vehicles` fetched along.
    """
    asked = set(vehicle_pks)
    models = {model.pk for recall in recalls for model in recall.unit_models.all()}
    carriers: dict[int, list[tuple[int, int]]] = defaultdict(list)
    fitted = Fitting.objects.filter(
        vehicle__in=asked, removed_on__isnull=True, unit__unit_model__in=models
    ).values_list("unit__unit_model", "vehicle", "unit")
    for model_pk, vehicle_pk, unit_pk in fitted.order_by("vehicle__number", "unit__code") if models else ():
        carriers[model_pk].append((vehicle_pk, unit_pk))
    found = []
    for recall in recalls:
        named = {vehicle.pk for vehicle in recall.vehicles.all()}
        own_models = recall.unit_models.all()
        for model in own_models:
            found += [
                Concerned(recall, vehicle_pk, unit_pk)
                for vehicle_pk, unit_pk in carriers[model.pk]
                if not named or vehicle_pk in named
            ]
        if not own_models:
            found += [Concerned(recall, vehicle_pk, None) for vehicle_pk in sorted(named & asked)]
    return found


def recalled_vehicles(recall_pks: Collection[int]) -> set[int]:
    """Return the vehicles that recalls may be about: those named and those that carry a unit model named."""
    if not recall_pks:
        return set()
    named = Vehicle.objects.filter(recalls__in=recall_pks).values_list("pk", flat=True)
    carrying = Fitting.objects.filter(
        removed_on__isnull=True, unit__unit_model__recalls__in=recall_pks
    ).values_list("vehicle", flat=True)
    return {*named, *carrying}


def open_recalls(as_of: datetime.date, vehicle_pks: Collection[int]) -> list[Concerned]:
    """Return the recalls open on some vehicles on a day."""
    recalls = list(_whole().filter(from_day__lte=as_of))
    if not recalls:
        return []
    closed = set(
        RecallClosing.objects.filter(vehicle__in=vehicle_pks, closed_on__lte=as_of).values_list(
            "recall", "vehicle"
        )
    )
    return [
        one for one in concerned_by(recalls, vehicle_pks) if (one.recall.pk, one.vehicle_pk) not in closed
    ]


def recalls_of(person: Person) -> QuerySet[Recall]:
    """Return every recall on record: a notice is no depot's own, only its vehicles are."""
    return _whole() if person.can("see") else Recall.objects.none()


def recall_open_on(person: Person, code: str, number: str) -> tuple[Recall, Vehicle] | None:
    """Return a recall and one of the person's vehicles it is about, or None."""
    recall = recalls_of(person).filter(code=code).first()
    vehicle = vehicles_of(person).filter(number=number).first()
    if recall is None or vehicle is None or not concerned_by([recall], [vehicle.pk]):
        return None
    return recall, vehicle


def recall_kinds() -> list[tuple[str, str]]:
    """Return the kinds there are, for a choice."""
    return [(str(kind), str(kind)) for kind in Recall.Kind.values]


def today_of(vehicle: Vehicle) -> datetime.date:
    """Return a vehicle's own today."""
    return clock.today(vehicle.depot.time_zone)


def _whole() -> QuerySet[Recall]:
    return Recall.objects.prefetch_related("unit_models", "vehicles")
