"""The due lines of a depot's day in parts, taken one by one by as many processes as there are, on any hosts.

A part is claimed by holding its row and done in the same transaction: a process that is killed gives it back, and none
is done twice.
"""

import zlib
from collections import Counter
from dataclasses import asdict

import numpy as np
import numpy.typing as npt
from django.db import connection, transaction
from django.db.models import QuerySet

from shop.models import DailyRun, RunPart
from shop.selectors.column_reading import one_of, read_columns
from shop.selectors.due_candidates import due_candidates, units_of_depot
from shop.services.column_writing import run, whole
from shop.services.due import DueReport, by_vehicle, due_refresh, units_hold
from shop.services.marks import marks_take, vehicles_mark

FloatArray = npt.NDArray[np.float64]

PART_UNITS = 15_000
"""Some five thousand vehicles: with much smaller parts, what each costs by itself eats what a second process gains."""

FREED_WHEN_DEAD = "; ".join(
    f"set local tcp_keepalives_{name}" for name in ("idle = 30", "interval = 10", "count = 3")
)
"""The server finds within a minute that the host of a claim is gone, instead of in hours; house default."""


def parts_lay(run_pk: int, *, is_full: bool = False) -> int:
    """Lay out the units that may have changed since the depot's last run, unless that is done; return the parts left.

    is_full: every unit of the depot. So it is without an earlier run. Both ways end the same: a unit that is left out
    would only have used a little more of its interval.
    """
    with transaction.atomic():
        day = DailyRun.objects.select_for_update().get(pk=run_pk)
        if not day.parts.exists():
            parts_give_up(RunPart.objects.filter(run__depot=day.depot_id))
            units = np.unique(_units(day, is_full=is_full))
            if len(units) > PART_UNITS:
                units = by_vehicle(units)
            RunPart.objects.bulk_create(
                RunPart(run=day, units=_packed(units[at : at + PART_UNITS]))
                for at in range(0, len(units), PART_UNITS)
            )
        return day.parts.filter(counts__isnull=True).count()


def parts_work(run_pk: int, *, is_last: bool) -> int:
    """Do the parts that nobody else holds and return how many there were.

    is_last: then wait for those others hold, and do what they give back.
    """
    done = 0
    while _do_one(run_pk, is_waiting=False):
        done += 1
    while is_last and _do_one(run_pk, is_waiting=True):
        done += 1
    return done


def parts_done(run_pk: int) -> dict[str, int]:
    """Return what the parts of a run came to, in lines."""
    total = Counter(dict.fromkeys(DueReport.__slots__, 0))
    for counts in RunPart.objects.filter(run=run_pk, counts__isnull=False).values_list("counts", flat=True):
        total.update(counts)
    return dict(total)


def parts_give_up(parts: QuerySet[RunPart]) -> None:
    """Delete parts; the vehicles of those that were not done are marked for the next run."""
    with transaction.atomic():
        left = parts.select_for_update(of=("self",)).filter(counts__isnull=True).order_by("pk")
        for units in left.values_list("units", flat=True):
            fitted = f"from shop_fitting f where {one_of('f.unit_id', _keys_in(units))}"
            vehicles_mark(whole(read_columns({"vehicle": "f.vehicle_id"}, fitted)["vehicle"]))
        parts.delete()


def _do_one(run_pk: int, *, is_waiting: bool) -> bool:
    with transaction.atomic():
        if connection.vendor == "postgresql":
            run(FREED_WHEN_DEAD)
        part = (
            RunPart.objects.select_for_update(of=("self",), skip_locked=not is_waiting)
            .filter(run=run_pk, counts__isnull=True)
            .select_related("run")
            .order_by("pk")
            .first()
        )
        if part is None:
            return False
        units = _keys_in(part.units).astype(np.float64)
        units_hold(units, is_alone=False)
        part.counts = asdict(due_refresh(part.run.as_of, units))
        part.save(update_fields=["counts"])
    return True


def _units(day: DailyRun, *, is_full: bool) -> FloatArray:
    marked = marks_take(day.depot_id)
    earlier = DailyRun.objects.filter(depot=day.depot_id, state=DailyRun.State.DONE, as_of__lte=day.as_of)
    last = earlier.order_by("-as_of").values_list("as_of", flat=True).first()
    if is_full or last is None:
        return units_of_depot(day.depot_id)
    return due_candidates(day.depot_id, marked, last, day.as_of)


def _packed(units: FloatArray) -> bytes:
    """Return keys as they are stored: most lie beside each other, and their steps take next to no room."""
    return zlib.compress(np.diff(units.astype("<i8"), prepend=0).tobytes(), level=1)


def _keys_in(packed: bytes) -> npt.NDArray[np.int64]:
    return np.cumsum(np.frombuffer(zlib.decompress(packed), dtype="<i8"))
