"""The exchange plans of very many units: one for each unit card, not one for each unit."""

import numpy as np
import numpy.typing as npt

from shop.models import CardFigure, Unit
from shop.selectors.column_reading import keys_of, place_of
from shop.selectors.exchange import UnitPlan, plans_for_units

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class CardPlans:
    """Plans, without parts, of units: those of a model share its card, but for units with figures of their own.

    plans: the plans there are; `places_of` says which is each unit's.
    """

    def __init__(self, unit_pks: FloatArray, model_pks: FloatArray) -> None:
        """Work the plans out. unit_pks: (n,) keys, all different. model_pks: (n,) of each unit's model."""
        self._unit_pks = unit_pks
        noted = keys_of(CardFigure.objects.filter(unit__isnull=False).values_list("unit", flat=True))
        is_own = np.isin(unit_pks, noted)
        # A unit with figures of its own is a group by itself, beside those of the models.
        group = np.where(is_own, -unit_pks, model_pks)
        _, first, self._places = np.unique(group, return_index=True, return_inverse=True)
        pks = [int(pk) for pk in unit_pks[first]]
        units = Unit.objects.select_related("unit_model__product").filter(pk__in=pks)
        found = plans_for_units(units, has_parts=False)
        self.plans: list[UnitPlan] = [found[pk] for pk in pks]

    def places_of(self, unit_pks: FloatArray) -> IntArray:
        """Return (m,) the place in `plans` of some of the units; one may be asked for several times."""
        places: IntArray = self._places[place_of(unit_pks, self._unit_pks)]
        return places
