"""Which units a daily run has to work out: those with news, and those a day that counts has come for."""

from datetime import date

import numpy as np
import numpy.typing as npt
from django.db.models import Q

from shop.models import Hold, Recall, RuleVersion, SeverityFactor, Vehicle
from shop.selectors.column_reading import keys_of, one_of, read_columns
from shop.selectors.recalls import recalled_vehicles

FloatArray = npt.NDArray[np.float64]


def due_candidates(depot_pk: int, marked: FloatArray, since: date, as_of: date) -> FloatArray:
    """Return the keys of the fitted units whose lines may differ from what is stored.

    A unit without news needs no new figures until a line of it changes by itself: its days stand, and what it has used
    by today is worked out when somebody looks. Taken are units of vehicles with a mark; those with a line whose
    `next_change_on` has come; those whose rule or severity changed or ended by date; those held back from a day that
    has come; and those of vehicles that left.

    marked: keys of vehicles with news. since: day of the last run that is done.
    """
    passed = Q(applies_from__gt=since, applies_from__lte=as_of)
    begun = {"from_day__gt": since, "from_day__lte": as_of}
    vehicles = {
        *Hold.objects.filter(**begun).values_list("vehicle", flat=True),
        *recalled_vehicles(list(Recall.objects.filter(**begun).values_list("pk", flat=True))),
        *Vehicle.objects.filter(
            depot=depot_pk, leaves_on__gte=since, leaves_on__lt=as_of
        ).values_list("pk", flat=True),
    }  # fmt: skip
    factors = SeverityFactor.objects.filter(passed | Q(ends_on__gt=since, ends_on__lte=as_of))
    models = set(RuleVersion.objects.filter(passed).values_list("rule__unit_model", flat=True))
    found = [
        _units_of(depot_pk, "f.vehicle_id", np.concatenate([marked, keys_of(vehicles)])),
        _units_of(depot_pk, "f.unit_id", keys_of(factors.values_list("unit", flat=True))),
        _units_of(depot_pk, "u.unit_model_id", keys_of(models)),
        _units_changing(depot_pk, as_of),
    ]
    return np.unique(np.concatenate(found))


def _units_changing(depot_pk: int, as_of: date) -> FloatArray:
    """Return the units of a depot with a line whose day has come.

    Their vehicles are looked up by themselves: joined, all vehicles of the depot would be read for a few lines.
    """
    lines = read_columns(
        {"unit": "d.unit_id", "vehicle": "d.vehicle_id"},
        "from shop_dueline d where d.next_change_on <= %s",
        [as_of.isoformat()],
    )
    own = read_columns(
        {"vehicle": "v.id"},
        f"from shop_vehicle v where v.depot_id = %s and {one_of('v.id', np.unique(lines['vehicle']))}",
        [depot_pk],
    )
    return lines["unit"][np.isin(lines["vehicle"], own["vehicle"])]


def units_of_depot(depot_pk: int) -> FloatArray:
    """Return the keys of all units that are or were fitted in a depot's vehicles."""
    return read_columns(
        {"unit": "f.unit_id"},
        "from shop_fitting f join shop_vehicle v on v.id = f.vehicle_id where v.depot_id = %s",
        [depot_pk],
    )["unit"]


def _units_of(depot_pk: int, column: str, keys: FloatArray) -> FloatArray:
    """Return the units of a depot whose fitting, unit or unit model is one of some; no query without any."""
    if not len(keys):
        return keys
    return read_columns(
        {"unit": "f.unit_id"},
        "from shop_fitting f join shop_unit u on u.id = f.unit_id join shop_vehicle v on v.id = f.vehicle_id "
        f"where v.depot_id = %s and {one_of(column, keys)}",
        [depot_pk],
    )["unit"]
