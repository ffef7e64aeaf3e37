"""The tables of the shelf: rooms, stock, reservations, lines on order, waste tanks and closed days."""

from collections.abc import Sequence

from django.db import models

from shop import clock
from shop.models import (
    ChangeRecord,
    ClosedDay,
    Depot,
    OrderedLine,
    Product,
    Reservation,
    StockItem,
    StockMovement,
    StoreRoom,
    Supplier,
    Unit,
    WasteMovement,
    WasteTank,
)
from shop.planning.demand import DUST_L
from shop.planning.waste_streams import STREAM_NAMES
from shop.services.imports.cells import choice, day, many, number, whole, yes_no
from shop.services.imports.declared import Column, Made, Part, SetPart, Table, Values, plain, simple
from shop.services.imports.records import Records
from shop.services.imports.row_rules import one_of
from shop.services.imports.sheets import Row

_AMOUNT = number(low=0)
_ABOVE_ZERO = number(above=0)


def _move_stock(touched: Sequence[models.Model], records: Records) -> list[ChangeRecord]:
    _book_differences(StockMovement, "item", "on_shelf_l", StockMovement.Reason.COUNTED, touched)
    return []


def _move_waste(touched: Sequence[models.Model], records: Records) -> list[ChangeRecord]:
    _book_differences(WasteMovement, "tank", "level_l", WasteMovement.Reason.LOADED, touched)
    return []


def _book_differences(
    movement: type[StockMovement | WasteMovement],
    of: str,
    holds_l: str,
    reason: str,
    rows: Sequence[models.Model],
) -> None:
    """Book the difference between what each row holds as loaded and what its movements add up to.

    of: the movement's field that names the row. holds_l: the row's field with its litres.
    """
    booked = dict(
        movement.objects.filter(**{f"{of}__in": rows})
        .values_list(of)
        .annotate(total=models.Sum("litres"))
        .order_by(of)
    )
    moves = [
        movement(litres=litres, reason=reason, moved_at=clock.now(), **{of: row})
        for row in rows
        if abs(litres := getattr(row, holds_l) - booked.get(row.pk, 0.0)) > DUST_L
    ]
    movement.objects.bulk_create(moves, batch_size=500)


_ROOM_COLUMNS = (
    Column("depot", field="depot", refers_to=Depot, is_needed=True),
    Column("room", field="name", is_needed=True),
    Column("most_l", _ABOVE_ZERO, "most_l", is_needed=True),
    Column("products", many, blank=()),
)
_ROOM_KEY = ("depot", "room")


def _check_room(row: Row, records: Records) -> None:
    depot = row.values["depot"]
    if depot is not None and depot.stores_at_id is not None:
        row.refuse("depot", f"{depot.code} has no shelf of its own; name the depot whose shelf serves it.")


ROOMS = Table(
    "rooms.csv",
    _ROOM_COLUMNS,
    _ROOM_KEY,
    (Part(StoreRoom, ("depot", "name"), plain(_ROOM_COLUMNS, _ROOM_KEY)),),
    sets=(SetPart(StoreRoom.products.through, "storeroom", "product", "products"),),
    check=_check_room,
)

STOCK = simple(
    "stock.csv",
    StockItem,
    (
        Column("depot", field="depot", refers_to=Depot, is_needed=True),
        Column("product", field="product", refers_to=Product, is_needed=True),
        Column("label", field="label", is_needed=True),
        Column("place", field="place"),
        Column("pack_size_l", _ABOVE_ZERO, "pack_size_l", is_needed=True),
        Column("on_shelf_l", _AMOUNT, "on_shelf_l", is_needed=True),
        Column("batch", field="batch"),
        Column("use_by", day, "use_by"),
        Column("opened_on", day, "opened_on"),
        Column("quarantined", yes_no, "is_quarantined"),
    ),
    ("depot", "product", "label"),
    after=_move_stock,
    is_count=True,
)

RESERVATIONS = simple(
    "reservations.csv",
    Reservation,
    (
        Column("depot", field="depot", refers_to=Depot, is_needed=True),
        Column("unit", field="unit", refers_to=Unit, is_needed=True),
        Column("product", field="product", refers_to=Product, is_needed=True),
        Column("litres", _ABOVE_ZERO, "litres", is_needed=True),
        Column("made_on", day, "made_on", is_needed=True),
    ),
    ("depot", "unit", "product", "made_on"),
)


_ORDERED_COLUMNS = (
    Column("depot", field="depot", refers_to=Depot, is_needed=True),
    Column("supplier", field="supplier", refers_to=Supplier, is_needed=True),
    Column("product", field="product", refers_to=Product, is_needed=True),
    Column("litres", _ABOVE_ZERO, "litres", is_needed=True),
    Column("ordered_on", day, "ordered_on", is_needed=True),
    Column("expected_on", day, "expected_on", is_needed=True),
    Column("arrived_on", day),
)
_ORDERED_KEY = ("depot", "supplier", "product", "ordered_on")
_PLAIN_ORDERED = plain(_ORDERED_COLUMNS, _ORDERED_KEY)


def _ordered_fields(row: Row, made: Made, records: Records) -> Values:
    """An arrival closes the line for good; it says how punctual the supplier was and adds no stock."""
    fields = _PLAIN_ORDERED(row, made, records)
    if row.has("arrived_on") and row.values["arrived_on"] is not None:
        fields |= {
            "closed_on": row.values["arrived_on"],
            "is_open": False,
            "received_l": row.values["litres"],
        }
    return fields


def _check_ordered(row: Row, records: Records) -> None:
    ordered_on = row.values["ordered_on"]
    for name in ("expected_on", "arrived_on"):
        if row.values[name] is not None and row.values[name] < ordered_on:
            what = "is expected" if name == "expected_on" else "arrived"
            row.refuse(name, f"it is before ordered_on; give the day the delivery {what}.")
    key = tuple(row.values[name].pk for name in _ORDERED_KEY[:3])
    lines = records.group(OrderedLine, "depot_id", "supplier_id", "product_id", "ordered_on")
    if any(line.order_id is not None for line in lines.get((*key, ordered_on), ())):
        row.refuse("product", "this line belongs to an order placed here; correct it on the order's page.")


ORDERED = Table(
    "ordered.csv",
    _ORDERED_COLUMNS,
    _ORDERED_KEY,
    (Part(OrderedLine, _ORDERED_KEY, _ordered_fields),),
    check=_check_ordered,
)


def _check_tank(row: Row, records: Records) -> None:
    level, capacity = row.values["level_l"], row.values["capacity_l"]
    if level is not None and capacity is not None and level > capacity:
        row.refuse("level_l", f"{level:g} L do not fit into {capacity:g} L; read the tank again.")


WASTE_TANKS = simple(
    "waste_tanks.csv",
    WasteTank,
    (
        Column("depot", field="depot", refers_to=Depot, is_needed=True),
        Column("stream", choice(*STREAM_NAMES), "stream", is_needed=True),
        Column("place", field="place"),
        Column("waste_code", field="waste_code"),
        Column("capacity_l", _ABOVE_ZERO, "capacity_l", is_needed=True),
        Column("level_l", _AMOUNT, "level_l", is_needed=True),
        Column("mean_per_day_l", _AMOUNT, "mean_per_day_l", is_needed=True),
        Column("sd_per_day_l", _AMOUNT, "sd_per_day_l", is_needed=True),
        Column("collector_lead_days", whole(0, 365), "collector_lead_days", is_needed=True),
    ),
    ("depot", "stream"),
    check=_check_tank,
    after=_move_waste,
    is_count=True,
)

CLOSED_DAYS = simple(
    "closed_days.csv",
    ClosedDay,
    (
        Column("depot", field="depot", refers_to=Depot),
        Column("supplier", field="supplier", refers_to=Supplier),
        Column("day", day, "day", is_needed=True),
        Column("note", field="note"),
    ),
    ("depot", "supplier", "day"),
    check=one_of("depot", "supplier"),
)
