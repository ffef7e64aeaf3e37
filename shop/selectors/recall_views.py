"""The recalls with the vehicles each is open and closed on: counted over the whole fleet, shown as far as asked."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shop.models import Person, Recall, RecallClosing, RuleVersion, Unit, Vehicle
from shop.selectors.access import depots_of
from shop.selectors.column_reading import FloatArray, keys_of, one_of, read_columns
from shop.selectors.recalls import recalls_of, today_of

CARRIED = """
    from (
        select u.unit_model_id as model, f.vehicle_id as vehicle, f.unit_id as unit
        from shop_fitting f
        join shop_unit u on u.id = f.unit_id
        join shop_vehicle v on v.id = f.vehicle_id
        where f.removed_on is null and {models} and {depots}
        order by v.number, u.code
    ) as carried
"""
CLOSED = """
    from (
        select c.id as closing, c.recall_id as recall, c.vehicle_id as vehicle
        from shop_recallclosing c
        join shop_vehicle v on v.id = c.vehicle_id
        where {depots}
        order by v.number
    ) as closed
"""

_Columns = dict[str, FloatArray]


@dataclass(frozen=True, slots=True)
class RecallVehicle:
    """A recall on one vehicle: open while there is no closing; units: codes of those it is about."""

    vehicle: Vehicle
    units: tuple[str, ...]
    closing: RecallClosing | None

    @property
    def today(self) -> datetime.date:
        """The day it is at the vehicle's own depot."""
        return today_of(self.vehicle)


@dataclass(frozen=True, slots=True)
class RecallView:
    """A recall with the person's vehicles it is about.

    open_on, closed_on: those shown, by number. open_count, closed_count: how many there are. missing_rules: unit models
    of a recall with new figures that have no rule version from its day yet.
    """

    recall: Recall
    open_on: list[RecallVehicle]
    closed_on: list[RecallVehicle]
    open_count: int
    closed_count: int
    missing_rules: list[str]

    @property
    def is_cut(self) -> bool:
        """Whether it is about more vehicles than are shown."""
        return self.open_count + self.closed_count > len(self.open_on) + len(self.closed_on)


@dataclass(frozen=True, slots=True)
class _Found:
    """A recall with the keys of the vehicles it is open on and of its closings, and those to show."""

    recall: Recall
    vehicles: FloatArray
    closings: FloatArray
    vehicles_shown: FloatArray
    closings_shown: FloatArray
    units: dict[int, list[int]]


def recall_views(person: Person, most: int | None = None, number: str = "") -> list[RecallView]:
    """Return the recalls with the person's vehicles they are about, the newest first.

    most: so many open and so many closed ones of each recall are shown, the first by number; None for all. number: only
    this vehicle is shown. All are counted, without an object for those not shown.
    """
    recalls = list(recalls_of(person))
    wanted = None
    if number:
        wanted = keys_of(Vehicle.objects.filter(number=number).values_list("pk", flat=True))
    depot_pks = {depot.pk for depot in depots_of(person)}
    carried, closed = _carried(recalls, depot_pks), _closed(depot_pks)
    found = [_found(recall, depot_pks, carried, closed, wanted, most) for recall in recalls]
    vehicles = (
        Vehicle.objects.only("number", "depot")
        .prefetch_related("depot")
        .in_bulk({pk for own in found for pk in own.units})
    )
    closings = RecallClosing.objects.select_related("vehicle__depot").in_bulk(
        [int(pk) for own in found for pk in own.closings_shown]
    )
    unit_pks = {pk for own in found for pks in own.units.values() for pk in pks}
    codes = dict(Unit.objects.filter(pk__in=unit_pks).values_list("pk", "code"))
    begun = _begun(recalls)
    return [
        _view(own, vehicles, [closings[int(pk)] for pk in own.closings_shown], codes, begun) for own in found
    ]


def _carried(recalls: Sequence[Recall], depot_pks: set[int]) -> _Columns:
    """Return unit model, vehicle and unit of what is fitted of the models recalled, by number and code."""
    models = keys_of({model.pk for recall in recalls for model in recall.unit_models.all()})
    names = {name: name for name in ("model", "vehicle", "unit")}
    if not len(models):
        return {name: np.zeros(0) for name in names}
    of_models, in_depots = one_of("u.unit_model_id", models), one_of("v.depot_id", keys_of(depot_pks))
    return read_columns(names, CARRIED.format(models=of_models, depots=in_depots))


def _closed(depot_pks: set[int]) -> _Columns:
    """Return closing, recall and vehicle of every closing, by number."""
    names = {name: name for name in ("closing", "recall", "vehicle")}
    return read_columns(names, CLOSED.format(depots=one_of("v.depot_id", keys_of(depot_pks))))


def _found(
    recall: Recall,
    depot_pks: set[int],
    carried: _Columns,
    closed: _Columns,
    wanted: FloatArray | None,
    most: int | None,
) -> _Found:
    named = sorted(recall.vehicles.all(), key=lambda vehicle: vehicle.number)
    named_pks = keys_of(vehicle.pk for vehicle in named)
    models = [model.pk for model in recall.unit_models.all()]
    if models:
        is_own = np.isin(carried["model"], models)
        if named:
            is_own &= np.isin(carried["vehicle"], named_pks)
        carried = {name: column[is_own] for name, column in carried.items()}
        _, firsts = np.unique(carried["vehicle"], return_index=True)
        concerned = carried["vehicle"][np.sort(firsts)]
    else:
        concerned = keys_of(vehicle.pk for vehicle in named if vehicle.depot_id in depot_pks)
    # A vehicle whose unit was swapped out since keeps its closing on the list.
    is_closed = closed["recall"] == recall.pk
    vehicles = concerned[~np.isin(concerned, closed["vehicle"][is_closed])]
    closings = closed["closing"][is_closed]
    shown, closings_shown = vehicles, closings
    if wanted is not None:
        shown = vehicles[np.isin(vehicles, wanted)]
        closings_shown = closings[np.isin(closed["vehicle"][is_closed], wanted)]
    shown, closings_shown = shown[:most], closings_shown[:most]
    return _Found(recall, vehicles, closings, shown, closings_shown, _units(models, carried, shown))


def _units(models: Sequence[int], carried: _Columns, shown: FloatArray) -> dict[int, list[int]]:
    """Return vehicle → its units of the models, in the order of the models."""
    units: dict[int, list[int]] = {int(pk): [] for pk in shown}
    is_shown = np.isin(carried["vehicle"], shown)
    for model in models:
        rows = is_shown & (carried["model"] == model)
        for vehicle, unit in zip(carried["vehicle"][rows], carried["unit"][rows], strict=True):
            units[int(vehicle)].append(int(unit))
    return units


def _begun(recalls: Sequence[Recall]) -> set[tuple[int, datetime.date]]:
    days = {recall.changes_from for recall in recalls if recall.changes_from}
    versions = RuleVersion.objects.filter(applies_from__in=days)
    return set(versions.values_list("rule__unit_model", "applies_from"))


def _view(
    found: _Found,
    vehicles: dict[int, Vehicle],
    closings: Sequence[RecallClosing],
    codes: dict[int, str],
    begun: set[tuple[int, datetime.date]],
) -> RecallView:
    recall = found.recall
    open_on = [
        RecallVehicle(vehicles[pk], tuple(codes[unit] for unit in units), None)
        for pk, units in found.units.items()
    ]
    closed_on = [RecallVehicle(own.vehicle, (), own) for own in closings]
    missing = [
        model.code
        for model in recall.unit_models.all()
        if recall.changes_from and (model.pk, recall.changes_from) not in begun
    ]
    return RecallView(
        recall, sorted(open_on, key=_number), sorted(closed_on, key=_number), len(found.vehicles), len(found.closings),
        missing,
    )  # fmt: skip


def _number(one: RecallVehicle) -> str:
    return one.vehicle.number
