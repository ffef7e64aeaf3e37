"""Change records: who added or changed which row, from what to what; written together with the rows themselves."""

import datetime
from collections.abc import Iterable, Mapping
from decimal import Decimal

from django.db import models

from shop import clock
from shop.models import ChangeRecord, ImportRun, Person

KEY_LENGTH = 160


def plain(value: object) -> object:
    """Return a value as JSON can hold it; a related row becomes its own code."""
    if isinstance(value, models.Model):
        for name in ("code", "number", "username"):
            if hasattr(value, name):
                return getattr(value, name)
        return str(value)
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, list | tuple | set):
        return [plain(one) for one in value]
    return value


def change_note(
    row: models.Model,
    key: str,
    *,
    before: Mapping[str, object] | None = None,
    after: Mapping[str, object],
) -> ChangeRecord:
    """Return an unsaved change record of one row.

    Args:
        row: the row that was added or changed.
        key: what people call the row, e.g. "K01" or "K01 odometer".
        before: field name → old value; None when the row was added.
        after: field name → new value.
    """
    return ChangeRecord(
        table=row._meta.verbose_name or type(row).__name__,
        key=key[:KEY_LENGTH],
        action="added" if before is None else "changed",
        before={name: plain(value) for name, value in (before or {}).items()},
        after={name: plain(value) for name, value in after.items()},
    )


def changes_write(
    records: Iterable[ChangeRecord], *, person: Person | None = None, import_run: ImportRun | None = None
) -> int:
    """Write change records in bulk, inside the caller's transaction, and return how many."""
    at = clock.now()
    rows = list(records)
    for record in rows:
        record.changed_at, record.changed_by, record.import_run = at, person, import_run
    ChangeRecord.objects.bulk_create(rows, batch_size=500)
    return len(rows)
