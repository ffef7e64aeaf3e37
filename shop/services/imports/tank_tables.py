"""The tables of bulk tanks: the tanks, their dip tables and dips taken before."""

from shop.models import BulkTank, Depot, Product, StockItem, TankDip, TankMark
from shop.services.imports.cells import code, local_instant, number
from shop.services.imports.declared import Column, Made, Part, Table, Values, plain, simple
from shop.services.imports.incoming_readings import at_depot
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row

_AMOUNT = number(low=0)
_ABOVE_ZERO = number(above=0)
_TANK_COLUMNS = (
    Column("tank", code, "code", is_needed=True),
    Column("depot", refers_to=Depot, is_needed=True),
    Column("product", refers_to=Product, is_needed=True),
    Column("label", is_needed=True),
    Column("name", field="name"),
    Column("capacity_l", _ABOVE_ZERO, "capacity_l", is_needed=True),
)
_DIP_COLUMNS = (
    Column("tank", field="tank", refers_to=BulkTank, is_needed=True),
    Column("dipped_at", local_instant, is_needed=True),
    Column("mm", _AMOUNT, "mm"),
    Column("litres", _AMOUNT, "litres", is_needed=True),
    Column("temp_c", number(-50, 150), "temp_c"),
    Column("book_l", _AMOUNT, "book_l"),
    Column("delivered_l", _AMOUNT, "delivered_l"),
    Column("issued_l", _AMOUNT, "issued_l"),
    Column("note", field="note"),
)


def _tank_fields(row: Row, made: Made, records: Records) -> Values:
    return plain(_TANK_COLUMNS, ("tank",))(row, made, records) | {"item": _item_of(row, records)}


def _item_of(row: Row, records: Records) -> StockItem | None:
    place = tuple(row.values[name] for name in ("depot", "product", "label"))
    if None in place:
        return None
    depot, product, label = place
    key = (depot.pk, product.pk, label)
    return next(iter(records.group(StockItem, "depot_id", "product_id", "label").get(key, ())), None)


def _check_tank(row: Row, records: Records) -> None:
    item = _item_of(row, records)
    if item is None:
        row.refuse(
            "label", "no such stock at this depot; give depot, product and label, and load stock.csv first."
        )
        return
    if item.on_shelf_l > row.values["capacity_l"]:
        row.refuse("capacity_l", f"{item.on_shelf_l:g} L stand in it by the books; it cannot be smaller.")
    if item.opened_on is not None:
        row.refuse("label", f"“{item.label}” is an opened pack, no tank.")


def _dip_fields(row: Row, made: Made, records: Records) -> Values:
    item = records.rows(StockItem)[row.values["tank"].item_id]
    at = at_depot(row.values["dipped_at"], item, records)
    return plain(_DIP_COLUMNS, ("tank",))(row, made, records) | {"dipped_at": at}


def _check_dip(row: Row, records: Records) -> None:
    if row.values["litres"] > row.values["tank"].capacity_l:
        row.refuse(
            "litres", f"they do not stand in a tank of {row.values['tank'].capacity_l:g} L; dip it again."
        )


TANKS = Table(
    "tanks.csv", _TANK_COLUMNS, ("tank",), (Part(BulkTank, ("code",), _tank_fields),), check=_check_tank
)
TANK_MARKS = simple(
    "tank_marks.csv",
    TankMark,
    (
        Column("tank", field="tank", refers_to=BulkTank, is_needed=True),
        Column("mm", _AMOUNT, "mm", is_needed=True),
        Column("litres", _AMOUNT, "litres", is_needed=True),
    ),
    ("tank", "mm"),
)
TANK_DIPS = Table(
    "tank_dips.csv",
    _DIP_COLUMNS,
    ("tank", "dipped_at"),
    (Part(TankDip, ("tank", "dipped_at"), _dip_fields),),
    check=_check_dip,
)
