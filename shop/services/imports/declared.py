"""How a table is declared: its file, its columns, the records each row becomes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from django.db import models

from shop.models import ChangeRecord
from shop.services.imports.cells import Parse, text
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row

FROM_MODEL = object()
Made = tuple[models.Model | None, ...]
Values = dict[str, object]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a file.

    Attributes:
        name: as in the header.
        parse: text → value; raises CellError.
        field: the model field it fills; empty when the table's own code uses it.
        refers_to: the model whose code stands in the cell.
        is_needed: a new row must give it, and a cell must not be blank.
        blank: the value of a blank cell; by default what the model field takes for granted.
    """

    name: str
    parse: Parse = text
    field: str = ""
    refers_to: type[models.Model] | None = None
    is_needed: bool = False
    blank: object = FROM_MODEL


@dataclass(frozen=True, slots=True)
class Part:
    """One record a row becomes.

    Attributes:
        model: its table.
        key: the fields that say which record it is.
        fields: (row, records made by the parts before, records) → field values, or None for no such record.
        label: added to the row's key in change records.
        on_new: values only a new record gets.
        closes: (held record, new values) → values that close the held one because a new one takes its place.
    """

    model: type[models.Model]
    key: tuple[str, ...]
    fields: Callable[[Row, Made, Records], Values | None]
    label: str = ""
    on_new: Callable[[], Values] = dict
    closes: Callable[[models.Model, Values], Values | None] | None = None


@dataclass(frozen=True, slots=True)
class SetPart:
    """A list cell kept as rows of a table between two others (a person's depots, a model's specifications)."""

    through: type[models.Model]
    owner: str
    member: str
    column: str


@dataclass(frozen=True, slots=True)
class Table:
    """One file of a load.

    Attributes:
        file: its name.
        columns: what its header may hold.
        key: the columns that say which row it is.
        parts: the records of a row; the one at `main` decides whether the row counts as added.
        check: (row, records) → refuses the row by `row.refuse`, before anything is written.
        verify: (rows, records) → refuses rows by `row.refuse`, once all of them are written.
        after: (records touched, records) → further change records once the rows are in.
        is_count: the rows are counts of a moment; the same file again is not a new count.
    """

    file: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    parts: tuple[Part, ...] = ()
    sets: tuple[SetPart, ...] = ()
    main: int = 0
    check: Callable[[Row, Records], None] | None = None
    verify: Callable[[Sequence[Row], Records], None] | None = None
    after: Callable[[Sequence[models.Model], Records], list[ChangeRecord]] | None = None
    is_count: bool = False
    names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", tuple(column.name for column in self.columns))

    @property
    def needed(self) -> tuple[str, ...]:
        """The key columns the header must have."""
        return tuple(column.name for column in self.columns if column.name in self.key and column.is_needed)

    def blank_of(self, column: Column) -> object:
        """Return the value a blank cell of a column stands for."""
        if column.blank is not FROM_MODEL:
            return column.blank
        for part in self.parts:
            fields = {one.name: one for one in part.model._meta.concrete_fields}
            if column.field in fields:
                found = fields[column.field]
                return None if found.is_relation else found.to_python(found.get_default())
        return None


def plain(table_columns: Sequence[Column], key: tuple[str, ...]) -> Callable[[Row, Made, Records], Values]:
    """Return a part's `fields` that takes the named columns as they are; a column not in the file is left alone."""

    def fields(row: Row, made: Made, records: Records) -> Values:
        return {
            column.field: row.values[column.name]
            for column in table_columns
            if column.field and (row.has(column.name) or column.name in key)
        }

    return fields


def simple(
    file: str,
    model: type[models.Model],
    columns: tuple[Column, ...],
    key: tuple[str, ...],
    check: Callable[[Row, Records], None] | None = None,
    after: Callable[[Sequence[models.Model], Records], list[ChangeRecord]] | None = None,
    *,
    is_count: bool = False,
) -> Table:
    """Return a table whose rows are records of one model, column for field."""
    fields = tuple(column.field for column in columns if column.name in key)
    return Table(
        file,
        columns,
        key,
        (Part(model, fields, plain(columns, key)),),
        check=check,
        after=after,
        is_count=is_count,
    )
