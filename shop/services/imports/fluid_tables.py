"""The tables of the fluids: specifications, suppliers, products, approvals, packs and mixing bans."""

from intervals.errors import QuantityError
from intervals.quantities import to_l
from shop.models import (
    Approval,
    MixingBan,
    Pack,
    Product,
    Specification,
    Supplier,
    UnitModel,
)
from shop.services.imports.cells import (
    CellError,
    choice,
    clock_time,
    code,
    day,
    mail_address,
    money,
    number,
    whole,
)
from shop.services.imports.declared import Column, Made, Part, Table, Values, plain, simple
from shop.services.imports.records import Records
from shop.services.imports.row_rules import one_of, pointing_at_own_table
from shop.services.imports.sheets import Row

_AMOUNT = number(low=0)
_ABOVE_ZERO = number(above=0)

_SPECIFICATION_COLUMNS = (
    Column("specification", field="code", is_needed=True),
    Column("kind", choice(*Specification.Kind.values), "kind", is_needed=True),
    Column("replaced_by"),
    Column("note", field="note"),
)
SPECIFICATIONS = Table(
    "specifications.csv",
    _SPECIFICATION_COLUMNS,
    ("specification",),
    (
        Part(Specification, ("code",), plain(_SPECIFICATION_COLUMNS, ("specification",))),
        pointing_at_own_table("replaced_by", "replaced_by", Specification, "is replaced by"),
    ),
)

SUPPLIERS = simple(
    "suppliers.csv",
    Supplier,
    (
        Column("supplier", field="code", is_needed=True),
        Column("name", field="name", is_needed=True),
        Column("lead_working_days", whole(0, 365), "lead_working_days", is_needed=True),
        Column("cut_off", clock_time, "cut_off"),
        Column("minimum_l", _AMOUNT, "minimum_l"),
        Column("minimum_cost", money, "minimum_cost"),
        Column("order_cost", money, "order_cost"),
        Column("freight_cost", money, "freight_cost"),
        Column("free_freight_from", money, "free_freight_from"),
        Column("mail", mail_address, "mail"),
        Column("phone", field="phone"),
        Column("customer_number", field="customer_number"),
        Column("note", field="note"),
    ),
    ("supplier",),
)

PRODUCTS = simple(
    "products.csv",
    Product,
    (
        Column("product", code, "code", is_needed=True),
        Column("name", field="name", is_needed=True),
        Column("family", choice(*Product.Family.values), "family"),
        Column("density15_kg_m3", number(low=500, high=2000), "density15_kg_m3"),
        Column("kv40_mm2_s", _ABOVE_ZERO, "kv40_mm2_s"),
        Column("kv100_mm2_s", _ABOVE_ZERO, "kv100_mm2_s"),
        Column("strength_share", number(above=0, high=1), "strength_share"),
        Column("sealed_life_months", whole(1, 600), "sealed_life_months"),
        Column("opened_life_months", whole(0, 600), "opened_life_months"),
        Column("top_ups_l_per_month", _AMOUNT, "top_ups_l_per_month"),
        Column("most_on_shelf_l", _ABOVE_ZERO, "most_on_shelf_l"),
        Column("waste_stream", field="waste_stream"),
    ),
    ("product",),
)


def _check_approval(row: Row, records: Records) -> None:
    if row.values["strength"] == Approval.Strength.HOUSE and not row.values["approved_by"]:
        row.refuse("approved_by", "it is blank; an approval by this house names the person who gave it.")


APPROVALS = simple(
    "approvals.csv",
    Approval,
    (
        Column("product", field="product", refers_to=Product, is_needed=True),
        Column("specification", field="specification", refers_to=Specification, is_needed=True),
        Column("strength", choice(*Approval.Strength.values), "strength", is_needed=True),
        Column("approved_by", field="approved_by"),
        Column("approved_on", day, "approved_on"),
        Column("reason", field="reason"),
    ),
    ("product", "specification"),
    check=_check_approval,
)


def _pack_fields(row: Row, made: Made, records: Records) -> Values:
    size, unit = float(row.values["size"]), row.cells["unit"]
    try:
        size_l = to_l(size, unit)
    except QuantityError as error:
        raise CellError(str(error), "unit") from error
    found = {name: row.values[name] for name in ("price", "multiple") if row.has(name)}
    return {
        "supplier": row.values["supplier"],
        "product": row.values["product"],
        "size_l": size_l,
        "printed": f"{size:g} {unit}",
        **found,
    }


def _volume_unit(cell: str) -> str:
    try:
        to_l(1.0, cell)
    except QuantityError as error:
        raise CellError(str(error)) from error
    return cell


PACKS = Table(
    "packs.csv",
    (
        Column("supplier", refers_to=Supplier, is_needed=True),
        Column("product", refers_to=Product, is_needed=True),
        Column("size", _ABOVE_ZERO, is_needed=True),
        Column("unit", _volume_unit, is_needed=True),
        Column("price", money, "price", is_needed=True),
        Column("multiple", whole(1), "multiple"),
    ),
    ("supplier", "product", "size", "unit"),
    (Part(Pack, ("supplier", "product", "printed"), _pack_fields),),
)


MIXING_BANS = simple(
    "mixing_bans.csv",
    MixingBan,
    (
        Column("product", field="product", refers_to=Product, is_needed=True),
        Column("never_with_product", field="other_product", refers_to=Product),
        Column("never_into_model", field="unit_model", refers_to=UnitModel),
        Column("reason", field="reason", is_needed=True),
    ),
    ("product", "never_with_product", "never_into_model"),
    check=one_of("never_with_product", "never_into_model"),
)
