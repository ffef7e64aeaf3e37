"""The rows a load works with: read once per table, found by code or key, kept up to date while loading."""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable

from django.db import models

from shop.models import (
    BulkTank,
    Depot,
    Job,
    MeasuringTool,
    Person,
    Product,
    Season,
    Specification,
    Supplier,
    Unit,
    UnitModel,
    Vehicle,
)
from shop.services.imports.cells import CellError, nearest

CODES: dict[type[models.Model], str] = {
    Season: "code",
    Depot: "code",
    Person: "username",
    Specification: "code",
    Supplier: "code",
    Product: "code",
    UnitModel: "code",
    Vehicle: "number",
    Unit: "code",
    MeasuringTool: "code",
    Job: "code",
    BulkTank: "code",
}
FILES: dict[type[models.Model], str] = {
    Season: "seasons.csv",
    Depot: "depots.csv",
    Person: "people.csv",
    Specification: "specifications.csv",
    Supplier: "suppliers.csv",
    Product: "products.csv",
    UnitModel: "unit_models.csv",
    Vehicle: "vehicles.csv",
    Unit: "units.csv",
    MeasuringTool: "tools.csv",
    Job: "jobs.csv",
    BulkTank: "tanks.csv",
}

Key = tuple[Hashable, ...]


def attname(model: type[models.Model], field: str) -> str:
    """Return the attribute that holds a field's plain value: the id for a related row."""
    return str(model._meta.get_field(field).attname)  # type: ignore[union-attr]


class Records:
    """All rows of the tables a load has asked for so far."""

    def __init__(self) -> None:
        self._rows: dict[type[models.Model], dict[object, models.Model]] = {}
        self._indexes: dict[tuple[type[models.Model], tuple[str, ...]], dict[Key, list[models.Model]]] = {}
        self._once: dict[str, set[object]] = {}
        self._refused: dict[tuple[type[models.Model], str], tuple[str, int]] = {}

    def rows(self, model: type[models.Model]) -> dict[object, models.Model]:
        """Return every row of a table by its id."""
        if model not in self._rows:
            self._rows[model] = {row.pk: row for row in model._default_manager.all()}
        return self._rows[model]

    def group(self, model: type[models.Model], *names: str) -> dict[Key, list[models.Model]]:
        """Return the rows of a table grouped by the plain values of some of its fields."""
        if (model, names) not in self._indexes:
            found: dict[Key, list[models.Model]] = defaultdict(list)
            for row in self.rows(model).values():
                found[tuple(getattr(row, name) for name in names)].append(row)
            self._indexes[model, names] = found
        return self._indexes[model, names]

    def find(self, model: type[models.Model], code: str) -> models.Model:
        """Return the row with this code.

        Raises:
            CellError: there is none; the sentence says whether it was refused earlier or never given.
        """
        found = self.group(model, CODES[model]).get((code,))
        if found:
            return found[0]
        what = model._meta.verbose_name
        if (model, code) in self._refused:
            file, line = self._refused[model, code]
            raise CellError(
                f"the {what} “{code}” was itself refused ({file}, row {line}); put that right first."
            )
        known = (key[0] for key, rows in self.group(model, CODES[model]).items() if rows)
        raise CellError(
            f"there is no {what} “{code}”; correct it or load it with {FILES[model]} first.{nearest(code, known)}"
        )

    def once(self, name: str, ask: Callable[[], set[object]]) -> set[object]:
        """Return what `ask` finds, asking only the first time."""
        if name not in self._once:
            self._once[name] = ask()
        return self._once[name]

    def refuse(self, model: type[models.Model], code: str, file: str, line: int) -> None:
        """Remember that the row that would have brought a code was refused."""
        self._refused.setdefault((model, code), (file, line))

    def added(self, rows: Iterable[models.Model]) -> None:
        """Take new rows in."""
        for row in rows:
            self.rows(type(row))[row.pk] = row
            self._drop_indexes(type(row))

    def forget(self, *tables: type[models.Model]) -> None:
        """Read these tables again at the next use."""
        for model in tables:
            self._rows.pop(model, None)
            self._drop_indexes(model)

    def _drop_indexes(self, model: type[models.Model]) -> None:
        for held in [key for key in self._indexes if key[0] is model]:
            del self._indexes[held]
