"""The table of recalls and bulletins."""

from shop.models import Recall
from shop.services.imports.cells import choice, code, day, many
from shop.services.imports.declared import Column, Part, SetPart, Table, plain
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row

_COLUMNS = (
    Column("recall", code, "code", is_needed=True),
    Column("title", field="title", is_needed=True),
    Column("text", field="text"),
    Column("source", field="source", is_needed=True),
    Column("kind", choice(*Recall.Kind.values), "kind", is_needed=True),
    Column("from_day", day, "from_day", is_needed=True),
    Column("changes_from", day, "changes_from"),
    Column("unit_models", many, blank=()),
    Column("vehicles", many, blank=()),
)


def _check(row: Row, records: Records) -> None:
    if row.values["changes_from"] is not None and row.values["kind"] != Recall.Kind.NEW_FIGURES:
        row.refuse(
            "changes_from", f"only a recall that {Recall.Kind.NEW_FIGURES} has such a day; leave it blank."
        )
    if all(row.has(name) and not row.values[name] for name in ("unit_models", "vehicles")):
        row.refuse("unit_models", "it is blank and so is vehicles; say which it is about.")


RECALLS = Table(
    "recalls.csv",
    _COLUMNS,
    ("recall",),
    (Part(Recall, ("code",), plain(_COLUMNS, ("recall",))),),
    sets=(
        SetPart(Recall.unit_models.through, "recall", "unitmodel", "unit_models"),
        SetPart(Recall.vehicles.through, "recall", "vehicle", "vehicles"),
    ),
    check=_check,
)
