"""What the units of a whole fleet take of their fluid in a year, in columns; units of one card share one plan."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from django.db import connection

from shop.models import CardFigure, Depot, Product, Unit, UnitModel
from shop.planning.pack_costs import MONTHS_A_YEAR
from shop.selectors.column_reading import FloatArray, IntArray, keys_of, one_of, read_columns
from shop.selectors.exchange import UnitPlan, plans_for_units
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.fluid_use import DAYS_A_YEAR, FLUID

COLUMNS = {name: name for name in ("unit", "model", "filled_with", "noted", "cycle_days")}
FITTED = """
    from (
        select f.unit_id as unit, u.unit_model_id as model, m.product_id as filled_with, s.product_id as noted,
            d.cycle_days as cycle_days
        from shop_fitting f
        join shop_vehicle v on v.id = f.vehicle_id
        join shop_unit u on u.id = f.unit_id
        join shop_unitmodel m on m.id = u.unit_model_id
        left join shop_lastservice s on s.unit_id = f.unit_id and s.subject = %s
        left join shop_dueline d on d.unit_id = f.unit_id
            and d.rule_id in (select id from shop_intervalrule where subject = %s)
        where f.removed_on is null and {which}
        order by u.code, d.id
    ) as fitted
"""


@dataclass(frozen=True, slots=True)
class FleetUse:
    """The use of fluid of units fitted now, by their code, without an object for any.

    Attributes:
        unit, model: their keys and those of their models.
        filled_with: the product their model is filled with; nan without one.
        in_it: the product in them by the last service, else that their model is filled with; nan when neither is known.
        is_noted: whether a service says so.
        card: the place of their plan in `plans`.
        fills_per_year: at the present use; nan when that cannot be said.
        top_ups_l_per_year: their part of the top-ups noted for a product as a whole, by litres a year.
    """

    unit: FloatArray
    model: FloatArray
    filled_with: FloatArray
    in_it: FloatArray
    is_noted: npt.NDArray[np.bool_]
    card: IntArray
    fills_per_year: FloatArray
    top_ups_l_per_year: FloatArray
    plans: tuple[UnitPlan, ...]

    def __len__(self) -> int:
        """Return how many units there are."""
        return len(self.unit)

    def of(self, rows: IntArray) -> "FleetUse":
        """Return some of the units, in the order asked."""
        columns = (name for name in FleetUse.__slots__ if name != "plans")
        return replace(self, **{name: getattr(self, name)[rows] for name in columns})

    @property
    def unit_model(self) -> UnitModel:
        """The model of the first unit."""
        return self.plans[self.card[0]].unit.unit_model

    @property
    def is_unknown(self) -> npt.NDArray[np.bool_]:
        """Whether the litres a year of each cannot be said."""
        return np.isnan(self._of_card(_fill_l) * self.fills_per_year)

    def planned_l(self, product: Product) -> FloatArray:
        """Return the litres of a product a year that each unit's services take; nan when it cannot be said."""

        def job_l(plan: UnitPlan) -> float:
            return _fill_l(plan) * part_of_product(product, plan.figures)

        return self._of_card(job_l) * self.fills_per_year

    def year_l(self, product: Product) -> FloatArray:
        """Return the same with top-ups."""
        return self.planned_l(product) + self.top_ups_l_per_year

    def _of_card(self, figure: Callable[[UnitPlan], float]) -> FloatArray:
        figures = np.full(len(self.plans), np.nan)
        for card in np.unique(self.card):
            figures[card] = figure(self.plans[card])
        return figures[self.card]


def fleet_use(depots: Collection[Depot], product: Product | None = None) -> FleetUse:
    """Return every unit fitted in the depots, or those whose model is filled with one product.

    A handful of queries and one plan for each card, however many units there are.
    """
    which = one_of("v.depot_id", keys_of(depot.pk for depot in depots))
    if product is not None:
        which += f" and m.product_id = {int(product.pk)}"
    rows = read_columns(COLUMNS, FITTED.format(which=which), [FLUID, FLUID])
    # A unit under two rules goes by its newest line.
    is_last = np.append(np.diff(rows["unit"]) != 0, True)[: len(rows["unit"])]
    own = {name: column[is_last] for name, column in rows.items()}
    is_noted = ~np.isnan(own["noted"])
    card, plans = _plans(own["unit"], own["model"])
    use = FleetUse(
        own["unit"], own["model"], own["filled_with"], np.where(is_noted, own["noted"], own["filled_with"]), is_noted,
        card, DAYS_A_YEAR / np.where(own["cycle_days"] == 0.0, np.nan, own["cycle_days"]), np.zeros(len(card)), plans,
    )  # fmt: skip
    return replace(use, top_ups_l_per_year=_top_ups(use))


def filled_rows(use: FleetUse) -> Mapping[Product, IntArray]:
    """Return product → the rows whose model is filled with it, as the models have it."""
    products = {own.pk: own for plan in use.plans if (own := plan.unit.unit_model.product) is not None}
    return {own: np.flatnonzero(use.filled_with == pk) for pk, own in products.items()}


def total(litres: FloatArray) -> float:
    """Return the sum of what is known, one after the other, so that the same units always give the same figure."""
    return sum(litres[~np.isnan(litres)].tolist())


def codes_of(uses: Sequence[FleetUse]) -> list[tuple[str, ...]]:
    """Return the codes of the units of several parts of a fleet, in one query."""
    if not uses:
        return []
    with connection.cursor() as cursor:
        wanted = one_of("id", np.concatenate([use.unit for use in uses]))
        cursor.execute(f"select id, code from shop_unit where {wanted}")
        codes: dict[float, str] = dict(cursor.fetchall())
    return [tuple(codes[pk] for pk in use.unit.tolist()) for use in uses]


def _plans(unit_pks: FloatArray, model_pks: FloatArray) -> tuple[IntArray, tuple[UnitPlan, ...]]:
    """Return the place of each unit's plan, and the plans: one for each model and each unit with figures of its own."""
    noted = CardFigure.objects.filter(unit__isnull=False).values_list("unit", flat=True).order_by().distinct()
    by_itself = np.isin(unit_pks, keys_of(noted))
    cards = np.where(by_itself, -unit_pks, model_pks)
    _, firsts, card = np.unique(cards, return_index=True, return_inverse=True)
    first_pks = [int(pk) for pk in unit_pks[firsts]]
    units = Unit.objects.select_related("unit_model__product").in_bulk(first_pks)
    plans = plans_for_units(list(units.values()), has_parts=False)
    return card.astype(np.int64), tuple(plans[pk] for pk in first_pks)


def _fill_l(plan: UnitPlan) -> float:
    litres = plan.best.total_to_reserve_l if plan.best else None
    return np.nan if litres is None else litres


def _top_ups(use: FleetUse) -> FloatArray:
    parts = np.zeros(len(use))
    for product, rows in filled_rows(use).items():
        known = np.nan_to_num(use.of(rows).planned_l(product))
        whole = total(known)
        if whole > 0:
            parts[rows] = product.top_ups_l_per_month * MONTHS_A_YEAR * known / whole
    return parts
