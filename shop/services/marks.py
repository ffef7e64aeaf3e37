"""Marks on vehicles with news, so that the daily run works out what changed and not the whole fleet."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from django.db import connection

from shop.models import Mark, Vehicle
from shop.selectors.column_reading import keys_param, one_of


def vehicles_mark(vehicle_pks: Iterable[int]) -> None:
    """Mark vehicles, inside the transaction that brings the news; one that is marked already stays so."""
    Mark.objects.bulk_create(
        [Mark(vehicle_id=pk) for pk in sorted(set(vehicle_pks))], ignore_conflicts=True, batch_size=5_000
    )


def fleet_mark() -> None:
    """Mark every vehicle: after a load or a correction by hand, whose reach nobody can tell."""
    vehicles_mark(Vehicle.objects.values_list("pk", flat=True))


def marks_take(depot_pk: int) -> npt.NDArray[np.float64]:
    """Take a depot's marks away and return their vehicles, before their rows are read.

    News that arrives meanwhile waits for this transaction and then leaves a new mark; none is lost.
    """
    marks = Mark.objects.select_for_update(of=("self",)).filter(vehicle__depot=depot_pk)
    taken = np.array(list(marks.values_list("vehicle", flat=True)), dtype=np.float64)
    with connection.cursor() as cursor:
        cursor.execute(f"delete from shop_mark where {one_of('vehicle_id')}", [keys_param(taken)])
    return taken
