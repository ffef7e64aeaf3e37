"""The tables of measuring: trays, jugs, scales and sticks, and what laboratories found after a job."""

from intervals.errors import HatchmarkError
from intervals.exchange.sampling import Contents
from shop.models import Depot, FluidSample, Job, MeasuringTool, Product, Unit, UnitModel
from shop.models.units import SOURCES
from shop.selectors.samples import sampled_share
from shop.services.imports.cards import unit_card
from shop.services.imports.cells import choice, code, day, number, yes_no
from shop.services.imports.declared import Column, Made, Part, Table, Values, plain, simple
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row

_AMOUNT = number(low=0)
_ERROR_COLUMNS = ("reading_error_share", "error_source", "error_since")
_TOOL_COLUMNS = (
    Column("tool", code, "code", is_needed=True),
    Column("depot", field="depot", refers_to=Depot, is_needed=True),
    Column("kind", choice(*MeasuringTool.Kind.values), "kind", is_needed=True),
    Column("limit", _AMOUNT, "limit"),
    Column("limit_unit", choice(*MeasuringTool.LimitUnit.values), "limit_unit"),
    Column("calibrated_until", day, "calibrated_until"),
    Column("out_of_use", yes_no, "is_out_of_use"),
    Column("reading_error_share", number(-0.5, 0.5), "reading_error_share"),
    Column("error_source", choice(*(code for code, _ in SOURCES)), "error_source"),
    Column("error_since", day, "error_since"),
    Column("note", field="note"),
)


def _tool_fields(row: Row, made: Made, records: Records) -> Values:
    """Return a tool; an error learned from jobs stays unless the row is about a learned one itself."""
    values = plain(_TOOL_COLUMNS, ("tool",))(row, made, records)
    held = next(iter(records.group(MeasuringTool, "code").get((row.values["tool"],), ())), None)
    if held is not None and held.error_source == "learned" and row.values["error_source"] != "learned":
        given = {name: values.pop(name) for name in _ERROR_COLUMNS if name in values}
        if given:
            row.remark(f"{held.code}: the reading error learned from jobs stays.")
    return values


def _check_tool(row: Row, records: Records) -> None:
    kind, unit = row.values["kind"], row.values["limit_unit"]
    allowed = MeasuringTool.LIMIT_UNITS[MeasuringTool.Kind(kind)]
    if row.values["limit"] is not None and unit not in allowed:
        row.refuse("limit_unit", f"the limit of a {kind} is given in {' or '.join(allowed)}, not in {unit}.")
    if row.values["reading_error_share"] is None:
        return
    if kind not in (MeasuringTool.Kind.TRAY, MeasuringTool.Kind.JUG):
        row.refuse(
            "reading_error_share", f"only a tray or jug is corrected by one, not a {kind}; leave it blank."
        )
    for name in ("error_source", "error_since"):
        if not row.values[name]:
            row.refuse(name, "it is blank; a reading error needs its source and the day it counts from.")


TOOLS = Table(
    "tools.csv",
    _TOOL_COLUMNS,
    ("tool",),
    (Part(MeasuringTool, ("code",), _tool_fields),),
    check=_check_tool,
)


def _check_sample(row: Row, records: Records) -> None:
    """Refuse a sample its job cannot have left, as recording one does."""
    job = row.values["job"]
    job.unit = records.rows(Unit)[job.unit_id]
    job.unit.unit_model = records.rows(UnitModel)[job.unit.unit_model_id]
    products = records.rows(Product)
    job.product = products.get(job.product_id)
    job.unit.unit_model.product = products.get(job.unit.unit_model.product_id)
    job.jug = records.rows(MeasuringTool).get(job.jug_id)
    if job.subject != "fluid" or job.state != Job.State.HANDED_BACK:
        row.refuse("job", f"{job.code} is no finished job on fluid; a sample is taken after one.")
        return
    if row.values["taken_on"] < job.done_on:
        row.refuse("taken_on", f"it lies before the job of {job.done_on}; a sample is taken after it.")
    contents = Contents(
        *(row.values[name] for name in ("before_mg_kg", "new_mg_kg", "after_mg_kg", "sd_share"))
    )
    try:
        sampled_share(job, contents, unit_card(job.unit, records))
    except HatchmarkError as error:
        row.refuse("after_mg_kg", str(error))


SAMPLES = simple(
    "samples.csv",
    FluidSample,
    (
        Column("job", field="job", refers_to=Job, is_needed=True),
        Column("taken_on", day, "taken_on", is_needed=True),
        Column("element", field="element", is_needed=True),
        Column("before_mg_kg", _AMOUNT, "before_mg_kg", is_needed=True),
        Column("new_mg_kg", _AMOUNT, "new_mg_kg", is_needed=True),
        Column("after_mg_kg", _AMOUNT, "after_mg_kg", is_needed=True),
        Column("sd_share", number(above=0, below=1), "sd_share"),
        Column("laboratory_ref", field="laboratory_ref", is_needed=True),
        Column("note", field="note"),
    ),
    ("job", "element", "laboratory_ref"),
    check=_check_sample,
)
