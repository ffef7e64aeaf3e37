"""Which units a daily run has to work out: those with news, and those a day that counts has come for."""

from datetime import date

import numpy as np
import numpy.typing as npt
from django.db.models import Q, QuerySet

from shop.models import DueLine, Fitting, Hold, Recall, RuleVersion, SeverityFactor
from shop.selectors.column_reading import keys_param, one_of, read_columns

FloatArray = npt.NDArray[np.float64]


def due_candidates(depot_pk: int, marked: FloatArray, since: date, as_of: date) -> FloatArray:
    """Return the keys of the fitted units whose lines may differ from what is stored.

    A unit without news needs no new figures until a line of it changes by itself: its days stand, and what it has used
    by today is worked out when somebody looks. Taken are units of vehicles with a mark; those with a line whose
    `next_change_on` has come; those whose rule or severity changed or ended by date; those held back from a day that
    has come; and those of vehicles that left.

    marked: keys of vehicles with news. since: day of the last run that is done.
    """
    changing = DueLine.objects.filter(vehicle__depot=depot_pk, next_change_on__lte=as_of)
    passed = Q(applies_from__gt=since, applies_from__lte=as_of)
    rules = RuleVersion.objects.filter(passed)
    factors = SeverityFactor.objects.filter(passed | Q(ends_on__gt=since, ends_on__lte=as_of))
    begun = {"from_day__gt": since, "from_day__lte": as_of}
    fitted = Fitting.objects.filter(vehicle__depot=depot_pk)
    found = [
        read_columns(
            {"unit": "f.unit_id"}, f"from shop_fitting f where {one_of('f.vehicle_id')}", [keys_param(marked)]
        )["unit"],
        *(
            np.array(list(units), dtype=np.float64)
            for units in (
                changing.values_list("unit", flat=True),
                _units(fitted.filter(unit__unit_model__in=rules.values("rule__unit_model"))),
                _units(fitted.filter(unit__in=factors.values("unit"))),
                _units(fitted.filter(vehicle__in=_recalled(Recall.objects.filter(**begun)))),
                _units(fitted.filter(vehicle__in=Hold.objects.filter(**begun).values("vehicle"))),
                _units(fitted.filter(vehicle__leaves_on__gte=since, vehicle__leaves_on__lt=as_of)),
            )
        ),
    ]
    return np.unique(np.concatenate(found))


def _units(fittings: QuerySet[Fitting]) -> QuerySet[Fitting, int]:
    return fittings.values_list("unit", flat=True)


def _recalled(recalls: QuerySet[Recall]) -> QuerySet[Fitting]:
    """Return the vehicles recalls may be about: those named and those that carry a unit model named."""
    return (
        Fitting.objects.filter(removed_on__isnull=True)
        .filter(Q(unit__unit_model__recalls__in=recalls) | Q(vehicle__recalls__in=recalls))
        .values("vehicle")
    )
