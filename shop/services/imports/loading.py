"""Loads a folder or file of CSV tables: dry run, all-or-nothing or good-rows-in, safe to repeat."""

import datetime
import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from django.db import transaction

from shop import clock
from shop.errors import InputError
from shop.models import ChangeRecord, ImportRun, Person
from shop.services.changes import changes_write
from shop.services.imports.cells import CellError, local_instant, nearest
from shop.services.imports.declared import Table
from shop.services.imports.incoming_readings import READINGS, FloatArray, Progress, readings_load
from shop.services.imports.records import CODES, Records
from shop.services.imports.report import ALL_OR_NOTHING, MODES, FileReport, LoadReport, Refusal
from shop.services.imports.sheets import Row, SheetError, read_sheet
from shop.services.imports.storing import ADDED, CHANGED, is_held, store_rows
from shop.services.imports.tables import TABLES
from shop.services.marks import fleet_mark
from shop.services.reading_writing import reading_changes_write

AS_OF_FILE = "as_of.txt"
_COUNTS = {table.file for table in TABLES if table.is_count}


def folder_load(
    path: Path,
    *,
    mode: str = ALL_OR_NOTHING,
    is_dry_run: bool = False,
    person: Person | None = None,
    progress: Progress | None = None,
) -> LoadReport:
    """Load every CSV file of a folder, or one CSV file alone.

    Args:
        path: the folder or file.
        mode: "all-or-nothing" or "good-rows-in".
        is_dry_run: do the same work, report it and take it back.
        person: who loads; None for the command line.
        progress: called with file name, rows done and rows in all.

    Raises:
        InputError: the path holds nothing to load, or the mode is unknown.
    """
    return files_load(
        _read(path), name=path.name, mode=mode, is_dry_run=is_dry_run, person=person, progress=progress
    )


def was_loaded(path: Path) -> bool:
    """Say whether these very files, byte for byte, were the last that were loaded under their names.

    Raises:
        InputError: the path holds nothing to load.
    """
    last: dict[str, str] = {}
    for hashes in _loaded_hashes():
        last |= hashes
    return last.items() >= _hashes(_read(path)).items()


def _read(path: Path) -> dict[str, bytes]:
    if path.is_dir():
        found = sorted([*path.glob("*.csv"), *path.glob(AS_OF_FILE)])
    elif path.is_file():
        found = [path]
    else:
        raise InputError(f"There is no folder or file “{path}”; name one that exists.")
    files = {one.name: one.read_bytes() for one in found}
    if not any(name.endswith(".csv") for name in files):
        raise InputError(f"“{path}” holds no CSV file; see `python manage.py help load` for the file names.")
    return files


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _hashes(files: Mapping[str, bytes]) -> dict[str, str]:
    return {name: _sha256(content) for name, content in files.items()}


def _loaded_hashes() -> list[dict[str, str]]:
    """Return file name → hash of each load, the first load first."""
    return list(ImportRun.objects.order_by("pk").values_list("file_sha256", flat=True))


def _ever_loaded() -> set[tuple[str, str]]:
    return {pair for hashes in _loaded_hashes() for pair in hashes.items()}


def _taken_in(files: Mapping[str, bytes], report: LoadReport) -> dict[str, str]:
    """Return file name → hash of the files that went in whole, and of counts of which any row did."""
    refused = {
        file.file
        for file in report.files
        if file.refusals and (file.file not in _COUNTS or file.refused == file.rows)
    }
    return _hashes({name: content for name, content in files.items() if name not in refused})


def _has_new_count(taken: Mapping[str, str]) -> bool:
    """Say whether a count went in that has to be known again, even if it found the books right."""
    return any(name in _COUNTS for name, _ in taken.items() - _ever_loaded())


def files_load(
    files: Mapping[str, bytes],
    *,
    name: str,
    mode: str = ALL_OR_NOTHING,
    is_dry_run: bool = False,
    person: Person | None = None,
    progress: Progress | None = None,
) -> LoadReport:
    """Load CSV files given as name → content; otherwise as `folder_load`."""
    if mode not in MODES:
        raise InputError(f"“{mode}” is no mode; allowed: {', '.join(MODES)}.")
    report = LoadReport(mode, is_dry_run)
    tables = {table.file: table for table in TABLES}
    for file in files:
        if file not in tables and file != AS_OF_FILE:
            sentence = f"no table is called that; allowed: {', '.join(tables)}.{nearest(file, tables)}"
            report.files.append(FileReport(file, refusals=[Refusal(file, 0, "", sentence)]))
    with transaction.atomic():
        notes, new_readings = _load_tables(files, report, progress)
        is_news = bool(notes) or len(new_readings) > 0
        taken = _taken_in(files, report)
        is_kept = not is_dry_run and not (report.refusals and mode == ALL_OR_NOTHING)
        if not is_kept:
            transaction.set_rollback(True)
        elif is_news or _has_new_count(taken):
            counts = {file.file: file.counts() for file in report.files}
            run = ImportRun.objects.create(
                name=name[:200],
                mode=mode,
                file_sha256=taken,
                loaded_at=clock.now(),
                loaded_by=person,
                counts=counts,
            )
            changes_write(notes, person=person, import_run=run)
            reading_changes_write(new_readings, person=person, import_run=run)
            fleet_mark()
            report.is_written = is_news
    return report


def _load_tables(
    files: Mapping[str, bytes], report: LoadReport, progress: Progress | None
) -> tuple[list[ChangeRecord], FloatArray]:
    """Load the files, each noted in the report; return change records and the keys of new readings."""
    records = Records()
    latest = clock.now()
    if AS_OF_FILE in files:
        latest = max(latest, _as_of(files[AS_OF_FILE], report))
    notes: list[ChangeRecord] = []
    new_readings = np.empty(0)
    before = _ever_loaded()
    for table in TABLES:
        if table is READINGS and table.file in files:
            report.files.append(FileReport(table.file))
            new_readings = _load_readings(files[table.file], report.files[-1], records, latest, progress)
        elif table.file in files:
            is_old = table.is_count and (table.file, _sha256(files[table.file])) in before
            one, more = _load_table(table, files[table.file], records, progress, is_old_count=is_old)
            report.files.append(one)
            notes += more
    return notes, new_readings


def _load_readings(
    content: bytes, report: FileReport, records: Records, latest: datetime.datetime, progress: Progress | None
) -> FloatArray:
    try:
        return readings_load(content, report, records, latest, progress)
    except SheetError as error:
        report.refusals.append(Refusal(report.file, 0, "", str(error)))
        return np.empty(0)


def _as_of(content: bytes, report: LoadReport) -> datetime.datetime:
    """Return the day the folder stands on, with a day's room for its time zone."""
    try:
        instant = local_instant(content.decode("utf-8-sig").strip())
    except (CellError, UnicodeDecodeError):
        sentence = "it does not hold one date-time; write one line like 2026-03-02 05:30."
        report.files.append(FileReport(AS_OF_FILE, refusals=[Refusal(AS_OF_FILE, 0, "", sentence)]))
        return clock.now()
    return instant.replace(tzinfo=instant.tzinfo or datetime.UTC) + datetime.timedelta(days=1)


def _load_table(
    table: Table,
    content: bytes,
    records: Records,
    progress: Progress | None,
    *,
    is_old_count: bool,
) -> tuple[FileReport, list[ChangeRecord]]:
    """Load one file. Of a count that was loaded before only rows not held yet go in: a count counts once."""
    report = FileReport(table.file)
    try:
        rows = read_sheet(content, table.names, table.needed)
    except SheetError as error:
        report.refusals.append(Refusal(table.file, 0, "", str(error)))
        return report, []
    report.rows = len(rows)
    for done, row in enumerate(rows):
        if progress and done % 1000 == 0:
            progress(table.file, done, len(rows))
        _parse(table, row, records)
    _refuse_repeats(table, rows)
    if table.check:
        for row in rows:
            if not row.errors:
                table.check(row, records)
    if is_old_count:
        rows = [row for row in rows if row.errors or not is_held(table, row, records)]
        report.unchanged = report.rows - len(rows)
    notes = _store(table, rows, records, report)
    _count_refused(table, rows, records, report)
    if progress and rows:
        progress(table.file, len(rows), len(rows))
    return report, notes


def _parse(table: Table, row: Row, records: Records) -> None:
    """Turn a row's cells into values; every cell that cannot be used is noted."""
    if row.errors:
        return
    for column in table.columns:
        cell = row.cells.get(column.name, "")
        try:
            if cell:
                row.values[column.name] = (
                    records.find(column.refers_to, cell) if column.refers_to else column.parse(cell)
                )
            elif column.is_needed and row.has(column.name):
                raise CellError("it is blank; this column must be filled in.")
            else:
                row.values[column.name] = table.blank_of(column)
        except CellError as error:
            row.refuse(column.name, error.sentence)


def _refuse_repeats(table: Table, rows: list[Row]) -> None:
    first: dict[tuple[object, ...], int] = {}
    for row in rows:
        if row.errors:
            continue
        key = tuple(row.values[name] for name in table.key)
        line = first.setdefault(key, row.line)
        if line != row.line:
            named = ", ".join(table.key)
            row.refuse(table.key[0], f"row {line} is about the same {named}; keep one of the two rows.")


def _store(table: Table, rows: list[Row], records: Records, report: FileReport) -> list[ChangeRecord]:
    """Write the good rows; when one turns out bad while writing, take all back and write the rest."""
    while True:
        good = [row for row in rows if not row.errors]
        with transaction.atomic():
            outcome = store_rows(table, good, records)
            is_clean = not any(row.errors for row in good)
            if not is_clean:
                transaction.set_rollback(True)
        if is_clean:
            break
        records.forget(*(part.model for part in table.parts), *(part.through for part in table.sets))
    report.added += sum(did == ADDED for did in outcome.rows.values())
    report.changed += sum(did == CHANGED for did in outcome.rows.values())
    report.unchanged += len(good) - len(outcome.rows)
    report.remarks += [sentence for row in good for sentence in row.remarks]
    notes = list(outcome.notes.values())
    return notes + (table.after(outcome.touched, records) if table.after else [])


def _count_refused(table: Table, rows: list[Row], records: Records, report: FileReport) -> None:
    for row in rows:
        if row.errors:
            report.refused += 1
            report.refusals += [Refusal(table.file, row.line, *error) for error in row.errors]
            model = table.parts[table.main].model if table.parts else None
            if model in CODES and len(table.key) == 1:
                records.refuse(model, row.cells.get(table.key[0], ""), table.file, row.line)
