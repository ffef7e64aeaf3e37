"""Meters found by what people call them."""

from collections.abc import Iterable

from shop.models import Meter, Person
from shop.selectors.access import depots_of


def meters_by_name(person: Person, numbers: Iterable[str]) -> dict[tuple[str, str], Meter]:
    """Return the meters of vehicles the person sees, by vehicle number and kind of meter, in one query."""
    meters = Meter.objects.filter(
        vehicle__depot__in=depots_of(person), vehicle__number__in=set(numbers)
    ).select_related("vehicle__depot")
    return {(meter.vehicle.number, meter.kind): meter for meter in meters}
