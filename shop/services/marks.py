"""Marks on vehicles with news, so that the daily run works out what changed and not the whole fleet."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from shop.models import Mark, Vehicle
from shop.selectors.column_reading import keys_of, one_of
from shop.services.column_writing import run


def vehicles_mark(vehicle_pks: Iterable[int]) -> None:
    """Mark vehicles, inside the transaction that brings the news; nobody takes a mark of it before that ends."""
    keys = keys_of(set(vehicle_pks))
    # A mark that is there is written over, which holds it: not taken as long as this news cannot be seen.
    run(
        f"insert into shop_mark (vehicle_id) select id from shop_vehicle where {one_of('id', keys)} order by id "
        "on conflict (vehicle_id) do update set vehicle_id = excluded.vehicle_id"
    )


def fleet_mark() -> None:
    """Mark every vehicle: after a load or a correction by hand, whose reach nobody can tell."""
    vehicles_mark(Vehicle.objects.values_list("pk", flat=True))


def marks_take(depot_pk: int) -> npt.NDArray[np.float64]:
    """Take a depot's marks away and return their vehicles, before their rows are read.

    Marks of news that cannot be seen yet stay for the next run.
    """
    marks = Mark.objects.select_for_update(of=("self",), skip_locked=True).filter(vehicle__depot=depot_pk)
    taken = keys_of(marks.values_list("vehicle", flat=True))
    run(f"delete from shop_mark where {one_of('vehicle_id', taken)}")
    return taken
