"""One table's good rows become records: new, changed or as they were, with their change records."""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError
from django.db import DataError, IntegrityError, models, transaction

from shop.models import ChangeRecord
from shop.services.changes import change_note
from shop.services.imports.cells import CellError
from shop.services.imports.declared import Made, Part, SetPart, Table, Values
from shop.services.imports.records import Key, Records, attname
from shop.services.imports.sheets import Row

ADDED = "added"
CHANGED = "changed"


@dataclass(slots=True)
class Outcome:
    """What storing did: row line → added or changed, the change records, the records touched."""

    rows: dict[int, str] = field(default_factory=dict)
    notes: dict[tuple[type[models.Model], object], ChangeRecord] = field(default_factory=dict)
    touched: list[models.Model] = field(default_factory=list)

    def note(self, row: models.Model, key: str, before: Values | None, after: Values) -> None:
        """Keep one change record per record, however many steps changed it."""
        held = self.notes.get((type(row), row.pk))
        fresh = change_note(row, key, before=before, after=after)
        if held is None:
            self.notes[type(row), row.pk] = fresh
        else:
            held.before = {**fresh.before, **held.before} if held.action == CHANGED else {}
            held.after = {**held.after, **fresh.after}


@dataclass(slots=True)
class _Step:
    """One record to write for one row."""

    row: Row
    record: models.Model
    before: Values | None
    after: Values


def store_rows(table: Table, rows: Sequence[Row], records: Records) -> Outcome:
    """Write the records of a table's rows; a row that cannot go in is refused on the row itself."""
    outcome = Outcome()
    made: dict[int, Made] = {row.line: () for row in rows}
    for place, part in enumerate(table.parts):
        _store_part(table, place, part, rows, made, records, outcome)
    for part in table.sets:
        _store_set(table, part, rows, made, records, outcome)
    if table.verify:
        table.verify([row for row in rows if not row.errors], records)
    return outcome


def is_held(table: Table, row: Row, records: Records) -> bool:
    """Say whether the main record of a row, not yet stored, is there already."""
    part = table.parts[table.main]
    values = part.fields(row, (), records) or {}
    names = tuple(attname(part.model, name) for name in part.key)
    return bool(records.group(part.model, *names).get(tuple(_plain_value(values[name]) for name in part.key)))


def row_label(table: Table, row: Row) -> str:
    """Return what people call a row: its key cells."""
    return " ".join(cell for name in table.key if (cell := row.cells.get(name, "")))


def _store_part(
    table: Table,
    place: int,
    part: Part,
    rows: Sequence[Row],
    made: dict[int, Made],
    records: Records,
    outcome: Outcome,
) -> None:
    names = tuple(attname(part.model, name) for name in part.key)
    index = records.group(part.model, *names)
    new: list[_Step] = []
    changed: list[_Step] = []
    shared: dict[Key, models.Model] = {}
    for row in rows:
        if row.errors:
            continue
        try:
            values = part.fields(row, made[row.line], records)
            if values is None:
                made[row.line] = (*made[row.line], None)
                continue
            key = tuple(_plain_value(values[name]) for name in part.key)
            held = shared.get(key) or next(iter(index.get(key, ())), None)
            closing = part.closes(held, values) if held is not None and part.closes else None
        except CellError as error:
            row.refuse(error.column, error.sentence)
            continue
        if held is not None and closing:
            changed.append(_change(row, held, closing, records))
            held = None
        if held is None:
            if place == table.main and _lacks_columns(table, row):
                continue
            held = part.model(**values, **part.on_new())
            new.append(_Step(row, held, None, values))
            shared[key] = held
        elif (step := _change(row, held, values, records)).after:
            changed.append(step)
        if _fits(table, part, row, values):
            made[row.line] = (*made[row.line], held)
    _write(part, [step for step in changed if not step.row.errors], is_new=False)
    _write(part, [step for step in new if not step.row.errors], is_new=True)
    label = f" {part.label}" if part.label else ""
    for step in (*changed, *new):
        if step.row.errors:
            continue
        outcome.note(step.record, row_label(table, step.row) + label, step.before, step.after)
        outcome.touched.append(step.record)
        is_added = step.before is None and place == table.main
        if is_added or step.row.line not in outcome.rows:
            outcome.rows[step.row.line] = ADDED if is_added else CHANGED
    records.added(step.record for step in (*changed, *new) if not step.row.errors)


def _lacks_columns(table: Table, row: Row) -> bool:
    """Refuse a new row of a file that leaves out a column every new row needs."""
    for column in table.columns:
        if column.is_needed and not row.has(column.name):
            row.refuse(column.name, "the row is new and this column is not in the file; add it.")
    return bool(row.errors)


def _plain_value(value: object) -> object:
    return value.pk if isinstance(value, models.Model) else value


def _change(row: Row, held: models.Model, values: Values, records: Records) -> _Step:
    """Set the values that differ on the held record and say which they were."""
    before: Values = {}
    after: Values = {}
    for name, value in values.items():
        was = getattr(held, attname(type(held), name))
        if was != _plain_value(value):
            target = type(held)._meta.get_field(name).related_model
            before[name] = records.rows(target).get(was, was) if target else was
            after[name] = value
            setattr(held, name, value)
    return _Step(row, held, before, after)


def _fits(table: Table, part: Part, row: Row, values: Values) -> bool:
    """Refuse values the model's fields cannot hold."""
    for name, value in values.items():
        field_ = part.model._meta.get_field(name)
        column = next((one.name for one in table.columns if one.field == name), "")
        if isinstance(value, str):
            if field_.max_length and len(value) > field_.max_length:
                row.refuse(
                    column, f"the text has {len(value)} characters; allowed: {field_.max_length} at most."
                )
            allowed = [code for code, _ in field_.choices or ()]
            if value and allowed and value not in allowed:
                row.refuse(column, f"“{value}” is not allowed here; allowed: {', '.join(allowed)}.")
            try:
                for validator in field_._validators:
                    validator(value)
            except ValidationError as error:
                row.refuse(column, " ".join(error.messages))
    return not row.errors


def _write(part: Part, steps: Sequence[_Step], *, is_new: bool) -> None:
    """Write records in bulk; if the database refuses, write one by one to find which row it was."""
    if not steps:
        return
    try:
        with transaction.atomic():
            if is_new:
                part.model._default_manager.bulk_create([step.record for step in steps], batch_size=500)
            else:
                names = sorted({name for step in steps for name in step.after})
                part.model._default_manager.bulk_update(
                    [step.record for step in steps], names, batch_size=200
                )
        return
    except (IntegrityError, DataError):
        pass
    for step in steps:
        if is_new:
            step.record.pk, step.record._state.adding = None, True
        try:
            with transaction.atomic():
                step.record.save(force_insert=is_new)
        except (IntegrityError, DataError) as error:
            step.row.refuse("", _database_sentence(part.model, error))


def _database_sentence(model: type[models.Model], error: Exception) -> str:
    """Return the refusal of the database in words; constraint names are written as sentences."""
    detail = str(error)
    name = ""
    with contextlib.suppress(AttributeError):
        name = error.__cause__.diag.constraint_name or ""  # type: ignore[union-attr]
    for constraint in model._meta.constraints:
        columns = [
            f"{model._meta.db_table}.{attname(model, one)}" for one in getattr(constraint, "fields", ())
        ]
        is_named = constraint.name in (name, detail.rpartition(": ")[2])
        if is_named or (columns and detail.endswith(": " + ", ".join(columns))):
            rule = constraint.name.replace("_", " ")
            return f"it breaks the rule “{rule}”; correct this row or the one it clashes with."
    return f"the database refused it ({detail.splitlines()[0]}); correct the row."


def _store_set(
    table: Table,
    part: SetPart,
    rows: Sequence[Row],
    made: dict[int, Made],
    records: Records,
    outcome: Outcome,
) -> None:
    owner, member = attname(part.through, part.owner), attname(part.through, part.member)
    target = part.through._meta.get_field(part.member).related_model
    groups = records.group(part.through, owner)
    new, gone = [], []
    for row in rows:
        if row.errors or not row.has(part.column):
            continue
        record = made[row.line][table.main]
        held = {getattr(one, member): one for one in groups.get((record.pk,), ())}
        try:
            wanted = {one.pk: one for code in row.values[part.column] for one in [records.find(target, code)]}
        except CellError as error:
            row.refuse(part.column, error.sentence)
            continue
        if held.keys() == wanted.keys():
            continue
        gone += [one.pk for pk, one in held.items() if pk not in wanted]
        new += [part.through(**{owner: record.pk, member: pk}) for pk in wanted if pk not in held]
        was = [records.rows(target)[pk] for pk in held]
        outcome.note(record, row_label(table, row), {part.column: was}, {part.column: list(wanted.values())})
        outcome.rows.setdefault(row.line, CHANGED)
    part.through._default_manager.filter(pk__in=gone).delete()
    part.through._default_manager.bulk_create(new, batch_size=500)
    records.forget(part.through)
