"""Rules several tables share: exactly one of two columns, and rows that point at rows of their own table."""

from collections.abc import Callable

from shop.services.imports.cells import CellError
from shop.services.imports.declared import Made, Part, Values
from shop.services.imports.records import Records
from shop.services.imports.sheets import Row


def one_of(first: str, second: str) -> Callable[[Row, Records], None]:
    """Return a check that exactly one of two columns is filled in."""

    def check(row: Row, records: Records) -> None:
        if (row.values[first] is None) == (row.values[second] is None):
            row.refuse(first, f"fill in either {first} or {second}, not both and not neither.")

    return check


def pointing_at_own_table(column: str, field: str, model: type, words: str) -> Part:
    """Return the second step of a table whose rows point at each other, refusing circles."""

    def fields(row: Row, made: Made, records: Records) -> Values | None:
        if not row.has(column):
            return None
        target = records.find(model, code) if (code := row.cells[column]) else None
        seen, step = made[0], target
        while step is not None:
            if step.pk == seen.pk:
                raise CellError(f"“{code}” {words} this one in the end; break the circle.", column)
            step = records.rows(model).get(getattr(step, f"{field}_id"))
        return {"code": seen.code, field: target}

    def named(row: Row, made: Made, records: Records) -> Values | None:
        try:
            return fields(row, made, records)
        except CellError as error:
            raise CellError(error.sentence, column) from error

    return Part(model, ("code",), named)
