"""The tables of the house: seasons, depots, people, unit models, unit cards, kits and rules."""

from collections.abc import Sequence

from django.contrib.auth.hashers import make_password
from django.db.models import Q

from intervals.errors import HatchmarkError
from intervals.exchange import METHODS
from intervals.exchange.done import split_title
from intervals.quantities import KM_PER_UNIT, to_km
from shop.models import (
    CardFigure,
    Depot,
    Fitting,
    IntervalRule,
    Job,
    KitPart,
    LastService,
    Person,
    Product,
    Requirement,
    RuleVersion,
    Season,
    Unit,
    UnitModel,
)
from shop.models.units import SOURCES
from shop.planning.kits import FILTER_KINDS, SEAL_KINDS
from shop.services.imports.cards import figure_fields, figure_name, verify_cards
from shop.services.imports.cells import (
    CellError,
    choice,
    clock_time,
    code,
    day,
    many,
    month_day,
    nearest,
    number,
    whole,
    yes_no,
)
from shop.services.imports.declared import Column, Made, Part, SetPart, Table, Values, plain, simple
from shop.services.imports.records import Records
from shop.services.imports.row_rules import one_of, pointing_at_own_table
from shop.services.imports.sheets import Row

_AMOUNT = number(low=0)
_ABOVE_ZERO = number(above=0)
_SHARE = number(low=0, high=1)
_SOURCE = choice(*(code for code, _ in SOURCES))


def _season_fields(row: Row, made: Made, records: Records) -> Values:
    found: Values = {"code": row.values["code"]}
    for name in ("opens", "closes"):
        if row.has(name):
            found[f"{name}_month"], found[f"{name}_day"] = row.values[name]
    if row.has("no_touch"):
        found["is_no_touch"] = row.values["no_touch"]
    return found


SEASONS = Table(
    "seasons.csv",
    (
        Column("code", field="code", is_needed=True),
        Column("opens", month_day, is_needed=True),
        Column("closes", month_day, is_needed=True),
        Column("no_touch", yes_no, "is_no_touch"),
    ),
    ("code",),
    (Part(Season, ("code",), _season_fields),),
)


_DEPOT_COLUMNS = (
    Column("depot", code, "code", is_needed=True),
    Column("name", field="name", is_needed=True),
    Column("time_zone", field="time_zone"),
    Column("distance_unit", choice("km", "mi"), "distance_unit"),
    Column("volume_unit", choice("L", "US gal"), "volume_unit"),
    Column("paper", choice(*Depot.Paper.values), "paper"),
    Column("currency", field="currency"),
    Column("daily_run_at", clock_time, "daily_run_at"),
    Column("purge_l", _AMOUNT, "purge_l"),
    Column("stores_at"),
)
DEPOTS = Table(
    "depots.csv",
    _DEPOT_COLUMNS,
    ("depot",),
    (
        Part(Depot, ("code",), plain(_DEPOT_COLUMNS, ("depot",))),
        pointing_at_own_table("stores_at", "stores_at", Depot, "takes from the shelf of"),
    ),
)

_PERSON_COLUMNS = (
    Column("sign_in", field="username", is_needed=True),
    Column("name", field="name", is_needed=True),
    Column("role", choice(*Person.Role.values), "role", is_needed=True),
    Column("depots", many, blank=()),
    Column("mail", field="email"),
    Column("gets_daily_mail", yes_no, "gets_daily_mail"),
)


def _verify_people(rows: Sequence[Row], records: Records) -> None:
    """Refuse whoever would now get the daily mail without an address, by this file or an earlier one."""
    for row in rows:
        person = records.find(Person, str(row.values["sign_in"]))
        if person.gets_daily_mail and not person.email:
            row.refuse(
                "mail",
                "there is none, but the person gets the daily mail; give an address or write no under "
                "gets_daily_mail.",
            )


PEOPLE = Table(
    "people.csv",
    _PERSON_COLUMNS,
    ("sign_in",),
    (
        Part(
            Person,
            ("username",),
            plain(_PERSON_COLUMNS, ("sign_in",)),
            on_new=lambda: {"password": make_password(None)},
        ),
    ),
    sets=(SetPart(Person.depots.through, "person", "depot", "depots"),),
    verify=_verify_people,
)


def _methods(cell: str) -> list[str]:
    for name in (found := many(cell)):
        if name not in METHODS:
            raise CellError(f"“{name}” is no method; allowed: {', '.join(METHODS)}.{nearest(name, METHODS)}")
    return found


def _title(cell: str) -> str:
    """A method, with the drain before it where there is one."""
    try:
        split_title(cell)
    except HatchmarkError as error:
        raise CellError(f"{error} Write it like “overnight drain + cooler-line exchange”.") from error
    return cell


_MODEL_COLUMNS = (
    Column("model", field="code", is_needed=True),
    Column("name", field="name", is_needed=True),
    Column("kind", choice(*UnitModel.Kind.values), "kind", is_needed=True),
    Column("hours_meter", choice(*(kind for kind, _ in UnitModel.HOUR_METERS)), "hours_meter"),
    Column("level_check", field="level_check"),
    Column("plug_seal", choice(*SEAL_KINDS, "none"), "plug_seal"),
    Column("filter_kind", choice(*FILTER_KINDS), "filter_kind"),
    Column("methods", _methods, "methods"),
    Column("house_method", _title, "house_method"),
    Column("target_share", number(above=0, below=1), "target_share"),
    Column("product", field="product", refers_to=Product),
    Column("specifications", many, blank=()),
)
_plain_model = plain(_MODEL_COLUMNS, ("model",))


def _model_fields(row: Row, made: Made, records: Records) -> Values:
    """Return a unit model; the meter that counts its hours stays once hours of its units are on record."""
    found = _plain_model(row, made, records)
    held = records.group(UnitModel, "code").get((row.values["model"],))
    wanted = found.get("hours_meter", held[0].hours_meter if held else "")
    if held and wanted != held[0].hours_meter and held[0].pk in _models_with_hours(records):
        raise CellError(
            f"jobs or fittings of {held[0].code} have {held[0].hours_meter} on record; leave that as it is, or give "
            "units counted otherwise a model of their own.",
            "hours_meter",
        )
    return found


def _models_with_hours(records: Records) -> set[object]:
    def ask() -> set[object]:
        at_fit = Fitting.objects.filter(Q(vehicle_h_at_fit__gt=0) | Q(unit_h_at_fit__gt=0))
        noted = [rows.objects.filter(unit_h__isnull=False) for rows in (LastService, Job)]
        return {pk for rows in (at_fit, *noted) for pk in rows.values_list("unit__unit_model", flat=True)}

    return records.once("unit models with hours", ask)


UNIT_MODELS = Table(
    "unit_models.csv",
    _MODEL_COLUMNS,
    ("model",),
    (Part(UnitModel, ("code",), _model_fields),),
    sets=(SetPart(Requirement, "unit_model", "specification", "specifications"),),
)


UNIT_CARD = Table(
    "unit_card.csv",
    (
        Column("model", refers_to=UnitModel),
        Column("unit", refers_to=Unit),
        Column("figure", figure_name, is_needed=True),
        Column("value", _AMOUNT, is_needed=True),
        Column("unit_of_measure", is_needed=True),
        Column("source", _SOURCE, is_needed=True),
        Column("replaces_learned", yes_no, blank=False),
        Column("noted_on", day, "noted_on"),
        Column("note", field="note"),
    ),
    ("model", "unit", "figure"),
    (Part(CardFigure, ("unit_model", "unit", "figure"), figure_fields),),
    check=one_of("model", "unit"),
    verify=verify_cards,
)

KIT_PARTS = simple(
    "kit_parts.csv",
    KitPart,
    (
        Column("model", field="unit_model", refers_to=UnitModel, is_needed=True),
        Column("part", field="part", is_needed=True),
        Column("quantity", _ABOVE_ZERO, "quantity", is_needed=True),
        Column("unit_of_measure", field="measured_in"),
        Column("condition", choice(*KitPart.Condition.values), "condition"),
        Column("condition_value", field="condition_value"),
        Column("every_nth_service", whole(1), "every_nth_service"),
        Column("replaced_by", field="replaced_by"),
    ),
    ("model", "part", "condition_value"),
)


def _rule_fields(row: Row, made: Made, records: Records) -> Values:
    return {
        "unit_model": row.values["model"],
        "subject": row.values["subject"],
        "vehicle_kind": row.values["vehicle_kind"],
    }


def _rule_version_fields(row: Row, made: Made, records: Records) -> Values:
    found: Values = {"rule": made[0], "applies_from": row.values["applies_from"]}
    if row.has("distance"):
        distance, unit = row.values["distance"], str(row.values["distance_unit"])
        if distance is not None and not unit:
            raise CellError("it is blank; say km or mi.", "distance_unit")
        found["interval_km"] = None if distance is None else to_km(float(distance), unit)
    for column, name in _VERSION_FIELDS.items():
        if row.has(column):
            found[name] = row.values[column]
    return found


_VERSION_FIELDS = {
    "hours": "interval_h",
    "months": "interval_months",
    "assumed_freshness_share": "assumed_freshness_share",
    "cap_share": "cap_share",
    "cap_signed_by": "cap_signed_by",
    "policy": "policy",
    "cadence": "cadence",
    "opens_share": "opens_share",
    "closes_share": "closes_share",
    "source": "source",
    "note": "note",
}


def _check_rule(row: Row, records: Records) -> None:
    clocks = ("distance", "hours", "months")
    if all(row.has(name) for name in clocks) and all(row.values[name] is None for name in clocks):
        row.refuse("distance", "distance, hours and months are all blank; a rule needs at least one.")
    if row.values["cap_share"] > 1 and not row.values["cap_signed_by"]:
        row.refuse("cap_signed_by", "it is blank; a cap above 1 is signed by a named person.")


RULES = Table(
    "rules.csv",
    (
        Column("model", refers_to=UnitModel, is_needed=True),
        Column("subject", field="subject"),
        Column("vehicle_kind", field="vehicle_kind"),
        Column("applies_from", day, "applies_from", is_needed=True),
        Column("distance", _ABOVE_ZERO),
        Column("distance_unit", choice(*KM_PER_UNIT), blank=""),
        Column("hours", _ABOVE_ZERO, "interval_h"),
        Column("months", whole(1, 600), "interval_months"),
        Column("assumed_freshness_share", number(above=0, high=1), "assumed_freshness_share"),
        Column("cap_share", _ABOVE_ZERO, "cap_share"),
        Column("cap_signed_by", field="cap_signed_by"),
        Column("policy", choice(*RuleVersion.Policy.values), "policy"),
        Column("cadence", choice(*RuleVersion.Cadence.values), "cadence"),
        Column("opens_share", number(low=0, below=1), "opens_share"),
        Column("closes_share", _SHARE, "closes_share"),
        Column("source", _SOURCE, "source"),
        Column("note", field="note"),
    ),
    ("model", "subject", "vehicle_kind", "applies_from"),
    (
        Part(IntervalRule, ("unit_model", "subject", "vehicle_kind"), _rule_fields),
        Part(RuleVersion, ("rule", "applies_from"), _rule_version_fields),
    ),
    main=1,
    check=_check_rule,
)
