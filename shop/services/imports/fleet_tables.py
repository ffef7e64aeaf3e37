"""The tables of the fleet: vehicles, units, meters, past services, jobs and holds."""

from collections.abc import Sequence

from django.db import models

from intervals.errors import QuantityError
from intervals.quantities import KM_PER_UNIT
from shop.models import (
    ChangeRecord,
    Depot,
    Fitting,
    Hold,
    Job,
    LastService,
    MeasuringTool,
    Meter,
    MeterChange,
    Product,
    Reading,
    Season,
    SeverityFactor,
    TemperatureHours,
    Unit,
    UnitModel,
    Vehicle,
)
from shop.services.imports.cells import CellError, choice, code, day, local_instant, month, number
from shop.services.imports.declared import Column, Made, Part, Table, Values, plain, simple
from shop.services.imports.incoming_readings import meter_of
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row
from shop.services.imports.unit_totals import fitting_on, job_fields, last_service_fields
from shop.services.meter_changes import meters_recompute
from shop.services.meter_history import shown_value
from shop.services.severity import COLDEST_C, HOTTEST_C, LEAST_FACTOR, MOST_FACTOR

_AMOUNT = number(low=0)
_ABOVE_ZERO = number(above=0)
_SHARE = number(low=0, high=1)

_VEHICLE_COLUMNS = (
    Column("vehicle", code, "number", is_needed=True),
    Column("depot", field="depot", refers_to=Depot, is_needed=True),
    Column("name", field="name", is_needed=True),
    Column("kind", field="kind", is_needed=True),
    Column("odometer_unit", choice(*KM_PER_UNIT)),
    Column("hour_meter", choice("h", "hh:mm")),
    Column("hours_roll_over_at", _ABOVE_ZERO),
    Column("class_km_per_day", _AMOUNT),
    Column("class_h_per_day", number(low=0, high=24)),
    Column("take_off_meter", choice("h", "hh:mm")),
    Column("take_off_rolls_over_at", _ABOVE_ZERO),
    Column("class_take_off_h_per_day", number(low=0, high=24)),
    Column("average_speed_km_h", number(above=0, high=150), "average_speed_km_h"),
    Column("season", field="season", refers_to=Season),
    Column("in_season_per_day", _AMOUNT, "in_season_per_day"),
    Column("off_season_per_day", _AMOUNT, "off_season_per_day"),
    Column("leaves_on", day, "leaves_on"),
    Column("warranty_until", day, "warranty_until"),
    Column("spare_from", day, "spare_from"),
    Column("turns_up_share", _SHARE, "turns_up_share"),
    Column("passes_gate_share", _SHARE, "passes_gate_share"),
    Column("note", field="note"),
)


def _meter_part(kind: str, shown_in: str, more: dict[str, str]) -> Part:
    """Return the step that gives a vehicle one of its meters; `more`: column → meter field."""

    def fields(row: Row, made: Made, records: Records) -> Values | None:
        if not row.has(shown_in):
            return None
        vehicle = made[0]
        held = records.group(Meter, "vehicle_id", "kind").get((vehicle.pk, kind))
        unit = row.values[shown_in]
        if held and unit != held[0].shown_in and _has_readings(held[0], records):
            raise CellError(
                f"{vehicle.number} has readings of its {kind} in {held[0].shown_in}; leave that as it is. "
                "A meter that was replaced goes into meter_changes.csv.",
                shown_in,
            )
        if unit is None:
            return None
        found: Values = {"vehicle": vehicle, "kind": kind, "shown_in": unit}
        return found | {field: row.values[column] for column, field in more.items() if row.has(column)}

    return Part(Meter, ("vehicle", "kind"), fields, label=kind)


def _has_readings(meter: Meter, records: Records) -> bool:
    return meter.pk in records.once(
        "meters with readings", lambda: set(Reading.objects.values_list("meter_id", flat=True).distinct())
    )


VEHICLES = Table(
    "vehicles.csv",
    _VEHICLE_COLUMNS,
    ("vehicle",),
    (
        Part(Vehicle, ("number",), plain(_VEHICLE_COLUMNS, ("vehicle",))),
        _meter_part(Meter.Kind.ODOMETER, "odometer_unit", {"class_km_per_day": "class_rate_per_day"}),
        _meter_part(
            Meter.Kind.HOURS,
            "hour_meter",
            {"class_h_per_day": "class_rate_per_day", "hours_roll_over_at": "rolls_over_at"},
        ),
        _meter_part(
            Meter.Kind.TAKE_OFF,
            "take_off_meter",
            {"class_take_off_h_per_day": "class_rate_per_day", "take_off_rolls_over_at": "rolls_over_at"},
        ),
    ),
)

_UNIT_COLUMNS = (
    Column("unit", code, "code", is_needed=True),
    Column("model", field="unit_model", refers_to=UnitModel, is_needed=True),
    Column("vehicle", refers_to=Vehicle),
    Column("position"),
    Column("serial", field="serial"),
    Column("fitted_on", day),
    Column("vehicle_km_at_fit", _AMOUNT),
    Column("vehicle_h_at_fit", _AMOUNT),
    Column("unit_km_at_fit", _AMOUNT),
    Column("unit_h_at_fit", _AMOUNT),
    Column("note", field="note"),
)


def _fitting_fields(row: Row, made: Made, records: Records) -> Values | None:
    """Return where the unit sits now; `removed_on` None is part of the key."""
    vehicle = row.values["vehicle"]
    if vehicle is None:
        return None
    if not row.values["position"]:
        raise CellError("it is blank; say where in the vehicle the unit sits.", "position")
    found: Values = {
        "unit": made[0],
        "vehicle": vehicle,
        "position": row.values["position"],
        "removed_on": None,
    }
    if row.has("fitted_on"):
        found["fitted_on"] = row.values["fitted_on"]
    kinds = {key[1] for key in records.group(Meter, "vehicle_id", "kind") if key[0] == vehicle.pk}
    hours_meter = records.rows(UnitModel)[made[0].unit_model_id].hours_meter
    for column, kind in (("vehicle_km_at_fit", Meter.Kind.ODOMETER), ("vehicle_h_at_fit", hours_meter)):
        if row.values["fitted_on"] is not None and row.values[column] is None and kind in kinds:
            raise CellError(
                f"it is blank, but {made[0].code} was fitted on {row.values['fitted_on']}; give the true total "
                "of the vehicle on that day.",
                column,
            )
    for column in ("vehicle_km_at_fit", "vehicle_h_at_fit", "unit_km_at_fit", "unit_h_at_fit"):
        if row.has(column):
            found[column] = row.values[column] or 0.0
    return found


def _swapped_out(held: models.Model, values: Values) -> Values | None:
    """Return what closes the held fitting when the unit now sits in another vehicle."""
    if not isinstance(held, Fitting) or held.vehicle_id == values["vehicle"].pk:
        return None
    fitted_on = values.get("fitted_on")
    if fitted_on is None or (held.fitted_on is not None and fitted_on <= held.fitted_on):
        since = held.fitted_on or "it was built"
        raise CellError(
            f"the unit sits in another vehicle since {since}; give the later day of the swap.", "fitted_on"
        )
    return {"removed_on": fitted_on}


UNITS = Table(
    "units.csv",
    _UNIT_COLUMNS,
    ("unit",),
    (
        Part(Unit, ("code",), plain(_UNIT_COLUMNS, ("unit",))),
        Part(
            Fitting,
            ("unit", "removed_on"),
            _fitting_fields,
            "fitting",
            closes=_swapped_out,
        ),
    ),
)


def _check_factor(row: Row, records: Records) -> None:
    ends_on, begins = row.values["ends_on"], row.values["applies_from"]
    if ends_on is not None and ends_on <= begins:
        row.refuse("ends_on", "it is not after applies_from; give the first day the factor no longer counts.")


SEVERITY = simple(
    "severity.csv",
    SeverityFactor,
    (
        Column("unit", field="unit", refers_to=Unit, is_needed=True),
        Column("reason", field="reason", is_needed=True),
        Column("factor", number(low=LEAST_FACTOR, high=MOST_FACTOR), "factor", is_needed=True),
        Column("source", field="source", is_needed=True),
        Column("applies_from", day, "applies_from", is_needed=True),
        Column("ends_on", day, "ends_on"),
    ),
    ("unit", "reason", "applies_from"),
    check=_check_factor,
)

TEMPERATURE_HOURS = simple(
    "temperature_hours.csv",
    TemperatureHours,
    (
        Column("unit", field="unit", refers_to=Unit, is_needed=True),
        Column("month", month, "month", is_needed=True),
        Column("temp_c", number(low=COLDEST_C, high=HOTTEST_C), "temp_c", blank=None),
        Column("hours", number(low=0, high=744), "hours", is_needed=True),
    ),
    ("unit", "month", "temp_c"),
)


def _meter_change_fields(row: Row, made: Made, records: Records) -> Values:
    try:
        meter = meter_of(row.values["vehicle"], row.values["meter"], records)
    except CellError as error:
        raise CellError(error.sentence, "meter") from error
    found: Values = {"meter": meter, "day": row.values["day"]}
    if row.has("kind"):
        found["kind"] = row.values["kind"]
    for name in ("last_old", "first_new"):
        if row.has(name):
            try:
                found[name] = shown_value(row.cells[name], meter)
            except QuantityError as error:
                raise CellError(str(error), name) from error
            if found[name] < 0:
                raise CellError("it is below zero; a meter shows zero or more.", name)
    return found


def _recompute(touched: Sequence[models.Model], records: Records) -> list[ChangeRecord]:
    return meters_recompute([change.meter for change in touched if isinstance(change, MeterChange)])


METER_CHANGES = Table(
    "meter_changes.csv",
    (
        Column("vehicle", refers_to=Vehicle, is_needed=True),
        Column("meter", choice(*Meter.Kind.values), is_needed=True),
        Column("day", day, is_needed=True),
        Column("kind", choice(*MeterChange.Kind.values), "kind", is_needed=True),
        Column("last_old", is_needed=True),
        Column("first_new", is_needed=True),
    ),
    ("vehicle", "meter", "day"),
    (Part(MeterChange, ("meter", "day"), _meter_change_fields),),
    after=_recompute,
)

LAST_SERVICES = Table(
    "last_services.csv",
    (
        Column("unit", refers_to=Unit, is_needed=True),
        Column("subject", field="subject"),
        Column("done_on", day),
        Column("odometer"),
        Column("hours"),
        Column("method", blank=""),
        Column("new_fluid_l", _ABOVE_ZERO),
        Column("fresh_share", _SHARE, blank=None),
        Column("age_before_km", _AMOUNT),
        Column("age_before_h", _AMOUNT),
        Column("age_before_days", _AMOUNT),
        Column("product", field="product", refers_to=Product),
        Column("batch", field="batch"),
    ),
    ("unit", "subject"),
    (Part(LastService, ("unit", "subject"), last_service_fields),),
)


def _check_job(row: Row, records: Records) -> None:
    if row.values["state"] == Job.State.HANDED_BACK and row.values["done_on"] is None:
        row.refuse("done_on", "it is blank; a job handed back was done on a day.")


JOBS = Table(
    "jobs.csv",
    (
        Column("job", field="code", is_needed=True),
        Column("unit", field="unit", refers_to=Unit, is_needed=True),
        Column("kind", choice(*Job.Kind.values), "kind"),
        Column("subject", field="subject"),
        Column("method", field="method"),
        Column("state", choice(*Job.State.values), "state", is_needed=True),
        Column("state_since", local_instant, "state_since"),
        Column("booked_for", local_instant, "booked_for"),
        Column("bay", field="bay"),
        Column("done_on", day, "done_on"),
        Column("odometer"),
        Column("hours"),
        Column("out_l", _AMOUNT, "out_l"),
        Column("out_temp_c", number(-60, 200), "out_temp_c"),
        Column("in_l", _AMOUNT, "in_l"),
        Column("in_temp_c", number(-60, 200), "in_temp_c"),
        Column("out_kg", _AMOUNT, "out_kg"),
        Column("in_kg", _AMOUNT, "in_kg"),
        Column("fresh_share", _SHARE, "fresh_share"),
        Column("product_in_l", _AMOUNT, "product_in_l"),
        Column("strength_found_share", number(0, 1), "strength_found_share"),
        Column("strength_left_share", number(0, 1), "strength_left_share"),
        Column("strength_by", choice(*Job.StrengthBy.values), "strength_by"),
        Column("boiling_found_c", number(60, 350), "boiling_found_c"),
        Column("boiling_left_c", number(60, 350), "boiling_left_c"),
        Column("level_temp_c", number(-60, 200), "level_temp_c"),
        Column("level_reading_mm", number(-500, 500), "level_reading_mm"),
        Column("level_proof", field="level_proof"),
        Column("product", field="product", refers_to=Product),
        Column("batch", field="batch"),
        *(Column(kind, field=kind, refers_to=MeasuringTool) for kind in ("tray", "jug", "scale", "stick")),
        Column("drain_minutes", _AMOUNT, "drain_minutes"),
        Column("drain_start_c", number(-60, 200), "drain_start_c"),
        Column("shed_c", number(-60, 60), "shed_c"),
        Column("arrival_mm", number(-500, 500), "arrival_mm"),
        Column("arrival_temp_c", number(-60, 200), "arrival_temp_c"),
        Column("moved_ml", number(-5000, 5000), "moved_ml"),
        Column("moved_from_mm", number(-500, 500), "moved_from_mm"),
        Column("moved_to_mm", number(-500, 500), "moved_to_mm"),
        Column("done_by", field="done_by"),
        Column("checked_by", field="checked_by"),
        Column("note", field="note"),
    ),
    ("job",),
    (Part(Job, ("code",), job_fields),),
    check=_check_job,
)


def _check_hold(row: Row, records: Records) -> None:
    unit, vehicle, until = row.values["unit"], row.values["vehicle"], row.values["until"]
    if row.values["kind"] == Hold.Kind.DEFERRAL and (until is None or not row.values["signed_by"]):
        row.refuse(
            "signed_by" if until else "until",
            "it is blank; a deferral is signed by a named person and ends on a day.",
        )
    if until is not None and until <= row.values["from_day"]:
        row.refuse("until", "it is not after from_day; give the first day the hold no longer counts.")
    if unit is not None:
        fitting = fitting_on(unit, None, records)
        if fitting is None or fitting.vehicle_id != vehicle.pk:
            row.refuse("unit", f"{unit.code} is not in {vehicle.number}; name a unit of that vehicle.")


HOLDS = simple(
    "holds.csv",
    Hold,
    (
        Column("vehicle", field="vehicle", refers_to=Vehicle, is_needed=True),
        Column("unit", field="unit", refers_to=Unit),
        Column("kind", choice(*Hold.Kind.values), "kind", is_needed=True),
        Column("reason", field="reason", is_needed=True),
        Column("from_day", day, "from_day", is_needed=True),
        Column("until", day, "until"),
        Column("signed_by", field="signed_by"),
    ),
    ("vehicle", "unit", "kind", "from_day"),
    check=_check_hold,
)
