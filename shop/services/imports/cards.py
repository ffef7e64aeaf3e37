"""unit_card.csv: the figures a unit card may hold, their units, and whether a card contradicts itself."""

from collections.abc import Sequence

from intervals.errors import CardError, HatchmarkError, QuantityError
from intervals.exchange.card import UnitCard
from intervals.quantities import to_l
from shop.models import CardFigure, Unit, UnitModel
from shop.selectors.exchange import card_from
from shop.services.imports.cells import CellError, nearest
from shop.services.imports.declared import Made, Values
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row

FIGURES = {
    "total_fill_l": "L",
    "quick_drain_l": "L",
    "overnight_drain_l": "L",
    "bleed_l": "L",
    "sump_l": "L",
    "converter_l": "L",
    "cooler_l": "L",
    "passages_l": "L",
    "heel_l": "L",
    "converter_drainback_l": "L",
    "passages_drainback_l": "L",
    "pickup_l": "L",
    "swirl_l": "L",
    "jug_mark_l": "L",
    "purge_hold_up_l": "L",
    "turnover_per_l": "-",
    "bleed_per_l": "-",
    "mixing": "-",
    "cooler_flow_l_per_min": "L/min",
    "ml_per_mm": "mL/mm",
    "stick_ref_c": "°C",
    "level_low_c": "°C",
    "level_high_c": "°C",
    "wanted_strength_share": "-",
}


def figure_name(cell: str) -> str:
    """Return the name of a card figure; raises CellError for any other."""
    if cell not in FIGURES:
        raise CellError(
            f"“{cell}” is no figure of a unit card; allowed: {', '.join(FIGURES)}.{nearest(cell, FIGURES)}"
        )
    return cell


def figure_fields(row: Row, made: Made, records: Records) -> Values | None:
    """Return a card figure, litres whatever they were typed in.

    None where a figure learned from jobs stays: a row replaces it only when it says so, or is itself a learned one.
    """
    figure = str(row.values["figure"])
    value, unit = row.values["value"], str(row.values["unit_of_measure"])
    if FIGURES[figure] == "L":
        try:
            value, unit = to_l(value, unit), "L"
        except QuantityError as error:
            raise CellError(str(error), "unit_of_measure") from error
    elif unit != FIGURES[figure]:
        allowed = FIGURES[figure]
        raise CellError(f"{figure} is given in {allowed}, not in “{unit}”; convert it.", "unit_of_measure")
    if _stays_learned(row, records):
        return None
    found: Values = {
        "unit_model": row.values["model"],
        "unit": row.values["unit"],
        "figure": figure,
        "value": value,
        "measured_in": unit,
        "source": row.values["source"],
    }
    for name in ("noted_on", "note"):
        if row.has(name):
            found[name] = row.values[name]
    return found


def _stays_learned(row: Row, records: Records) -> bool:
    """Say whether the held figure was learned and this row does not ask to replace it; the row's remark tells."""
    owner = tuple(None if row.values[name] is None else row.values[name].pk for name in ("model", "unit"))
    held = records.group(CardFigure, "unit_model_id", "unit_id", "figure").get((*owner, row.values["figure"]))
    if not held or held[0].source != "learned" or row.values["source"] == "learned":
        return False
    if row.values["replaces_learned"]:
        return False
    row.remark(
        f"{row.cells.get('model') or row.cells.get('unit')} {held[0].figure}: the {held[0].value:.4g} "
        f"{held[0].measured_in} learned from jobs stay, not the {row.cells['value']} of row {row.line}; write yes "
        "under replaces_learned to overwrite them."
    )
    return True


def unit_card(unit: Unit, records: Records) -> UnitCard:
    """Return the card of one unit as loaded so far; its own figures beat those of its model.

    Raises:
        HatchmarkError: the card has no total fill or contradicts itself.
    """
    return _card(unit.unit_model_id, unit.pk, records)


def _card(model_id: int, unit_id: int | None, records: Records) -> UnitCard:
    figures = {one.figure: one for one in records.group(CardFigure, "unit_model_id").get((model_id,), ())}
    if unit_id is not None:
        own = records.group(CardFigure, "unit_id").get((unit_id,), ())
        figures |= {one.figure: one for one in own}
    return card_from(records.rows(UnitModel)[model_id], list(figures.values()))


def verify_cards(rows: Sequence[Row], records: Records) -> None:
    """Refuse the rows of every card that contradicts itself; a card without a total fill is only unfinished."""
    by_owner: dict[tuple[int, int | None], list[Row]] = {}
    for row in rows:
        unit, model = row.values["unit"], row.values["model"]
        owner = (model.pk, None) if model else (unit.unit_model_id, unit.pk)
        by_owner.setdefault(owner, []).append(row)
    for owner, its_rows in by_owner.items():
        try:
            _card(*owner, records)
        except CardError as error:
            for row in its_rows:
                row.refuse("value", f"the unit card contradicts itself: {error}")
        except HatchmarkError:
            continue
