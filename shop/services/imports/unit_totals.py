"""What the vehicle's meters showed on a day becomes the unit's own totals, and a past job becomes the fluid's age."""

import datetime

from intervals.errors import HatchmarkError, QuantityError
from intervals.exchange.done import share_of_done, split_title
from intervals.fluid_age import age_after_exchange
from shop.models import Fitting, Job, LastService, Meter, MeterChange, Unit, UnitModel, Vehicle
from shop.services.imports.cards import unit_card
from shop.services.imports.cells import CellError
from shop.services.imports.declared import Made, Values
from shop.services.imports.incoming_readings import at_depot, meter_of
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row
from shop.services.job_standing import OF_A_JOB
from shop.services.job_tools import LEARNED_FROM
from shop.services.meter_history import shown_value, total_on

_DUST = 1e-6


def fitting_on(unit: Unit, day: datetime.date | None, records: Records) -> Fitting | None:
    """Return where the unit was on a day, or where it is now when the day is not known."""
    for fitting in records.group(Fitting, "unit_id").get((unit.pk,), []):
        if day is None:
            if fitting.removed_on is None:
                return fitting
        elif (fitting.fitted_on is None or fitting.fitted_on <= day) and (
            fitting.removed_on is None or day < fitting.removed_on
        ):
            return fitting
    return None


def unit_total(
    row: Row, column: str, unit: Unit, day: datetime.date | None, records: Records
) -> float | None:
    """Return the unit's own km or h from what the vehicle's meter showed; None for a blank cell.

    Raises:
        CellError: the unit was in no vehicle then, or the value does not fit its meter.
    """
    cell = row.cells.get(column, "")
    if not cell:
        return None
    fitting = fitting_on(unit, day, records)
    if fitting is None:
        when = f"on {day}" if day else "now"
        raise CellError(
            f"{unit.code} is in no vehicle {when}, so no meter counts for it; leave it blank.", column
        )
    hours_meter = records.rows(UnitModel)[unit.unit_model_id].hours_meter
    kind = Meter.Kind.ODOMETER if column == "odometer" else hours_meter
    try:
        meter = meter_of(records.rows(Vehicle)[fitting.vehicle_id], kind, records)
        shown = shown_value(cell, meter)
    except QuantityError as error:
        raise CellError(str(error), column) from error
    except CellError as error:
        raise CellError(error.sentence, column) from error
    changes = records.group(MeterChange, "meter_id").get((meter.pk,), [])
    if changes and day is None:
        raise CellError("the meter has changed since; give the day the job was done.", "done_on")
    at_fit = fitting.vehicle_km_at_fit if kind == Meter.Kind.ODOMETER else fitting.vehicle_h_at_fit
    before = fitting.unit_km_at_fit if kind == Meter.Kind.ODOMETER else fitting.unit_h_at_fit
    run = total_on(shown, day or datetime.date.min, meter, changes) - at_fit
    if run < -_DUST or shown < 0:
        raise CellError(
            f"“{cell}” is lower than when {unit.code} was fitted ({at_fit:g}); read it again.", column
        )
    return before + max(run, 0.0)


def job_fields(row: Row, made: Made, records: Records) -> Values | None:
    """Return a job with the unit's own totals and the vehicle it was in; None for one that has moved on since."""
    unit = row.values["unit"]
    done_on = row.values["done_on"]
    booked = row.values["booked_for"]
    day = done_on or (booked.date() if booked else None)
    fitting = fitting_on(unit, day, records) or fitting_on(unit, None, records)
    if fitting is None:
        raise CellError(f"{unit.code} is in no vehicle; fit it in units.csv first.", "unit")
    vehicle = records.rows(Vehicle)[fitting.vehicle_id]
    if _has_moved_on(row, vehicle, records):
        return None
    found: Values = {"code": row.values["job"], "unit": unit, "vehicle": vehicle}
    if row.has("odometer"):
        found["unit_km"] = unit_total(row, "odometer", unit, done_on, records)
    if row.has("hours"):
        found["unit_h"] = unit_total(row, "hours", unit, done_on, records)
    for name in ("state_since", "booked_for"):
        if row.has(name):
            found[name] = _instant(row.values[name], vehicle, records)
    for name in _JOB_PLAIN:
        if row.has(name):
            found[name] = row.values[name]
    return found


def _instant(
    instant: datetime.datetime | None, vehicle: Vehicle, records: Records
) -> datetime.datetime | None:
    return at_depot(instant, vehicle, records).astimezone(datetime.UTC) if instant else None


def _has_moved_on(row: Row, vehicle: Vehicle, records: Records) -> bool:
    """Say whether the recorded job reached another state after the file was written."""
    held = next(iter(records.group(Job, "code").get((row.values["job"],), ())), None)
    if held is None or held.state == row.values["state"] or held.state_since is None:
        return False
    since = _instant(row.values["state_since"], vehicle, records)
    return since is None or held.state_since > since


_JOB_PLAIN = (
    *(
        "kind",
        "subject",
        "method",
        "state",
        "bay",
        "done_on",
        "product",
        "batch",
        "done_by",
        "checked_by",
        "note",
    ),
    *("out_l", "out_temp_c", "out_kg", "in_l", "in_temp_c", "in_kg", "fresh_share"),
    "product_in_l",
    *("strength_found_share", "strength_left_share", "strength_by", "boiling_found_c", "boiling_left_c"),
    *("level_temp_c", "level_reading_mm", "level_proof"),
    *("tray", "jug", "scale", "stick", *LEARNED_FROM),
)


def last_service_fields(row: Row, made: Made, records: Records) -> Values | None:
    """Return where a unit stands after its last service: totals, carried ages, share and what the fill is made of.

    None when a job closed here is later than the row: older news never replaces newer.
    """
    unit, day = row.values["unit"], row.values["done_on"]
    held = records.group(LastService, "unit_id", "subject").get((unit.pk, row.values["subject"]), [])
    if day is not None and any(one.job_id and one.done_on and one.done_on > day for one in held):
        return None
    if day is None and not row.cells.get("odometer") and not row.cells.get("hours"):
        raise CellError(
            "give the day, the odometer or the hours; with none of them leave the row out.", "done_on"
        )
    found: Values = {"unit": unit, "subject": row.values["subject"]}
    for name in ("done_on", "product", "batch"):
        if row.has(name):
            found[name] = row.values[name]
    if row.has("odometer"):
        found["unit_km"] = unit_total(row, "odometer", unit, day, records)
    if row.has("hours"):
        found["unit_h"] = unit_total(row, "hours", unit, day, records)
    if day is not None and any(one.done_on != day for one in held):
        # Another job than the one on record: what was noted of that one goes.
        found |= dict.fromkeys((*OF_A_JOB, "run_limit_km", "run_limit_h", "run_limit_days"))
    return found | _age_fields(row, unit, records)


def _age_fields(row: Row, unit: Unit, records: Records) -> Values:
    """Return the fresh share, the ages after the job and the parcels: age after = (1 − share) × age before."""
    share = _fresh_share(row, unit, records)
    before = {f"age_{suffix}": row.values[f"age_before_{suffix}"] for suffix in ("km", "h", "days")}
    parcels: list[Values] = [{"share": share, "age_km": 0.0, "age_h": 0.0, "age_days": 0.0}]
    if share < 1.0:
        parcels.append({"share": 1.0 - share, **before})
    ages = {name: _age_after(share, age) for name, age in before.items()}
    return {**ages, "fresh_share": share, "parcels": parcels}


def _age_after(share: float, before: float | None) -> float | None:
    if share == 1.0:
        return 0.0
    return None if before is None else float(age_after_exchange(share, before))


def _fresh_share(row: Row, unit: Unit, records: Records) -> float:
    """Return the share typed in, or the exchange model's share of the method and litres."""
    if (given := row.values["fresh_share"]) is not None:
        return float(given)
    title = str(row.values["method"])
    if not title:
        raise CellError("it is blank and so is the method; give one of them.", "fresh_share")
    try:
        card = unit_card(unit, records)
        _, method = split_title(title)
        litres = row.values["new_fluid_l"]
        if litres is None:
            litres = card.overnight_drain_l if method == "overnight drain" else card.quick_drain_l
            if method not in _ONE_DRAIN or litres is None:
                raise CellError(f"it is blank; “{title}” needs the litres that went in.", "new_fluid_l")
        drains = round(litres / card.quick_drain_l) if card.quick_drain_l else 1
        return share_of_done(card, title, litres, drains).share
    except HatchmarkError as error:
        raise CellError(str(error), "method") from error


_ONE_DRAIN = ("drain-and-refill", "overnight drain", "drain", "tank drain")
