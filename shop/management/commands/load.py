"""Load a folder of CSV files, or one of them."""

import argparse
import json
import sys
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.db.utils import OperationalError, ProgrammingError

from shop.errors import NOT_PREPARED, InputError
from shop.services.imports.loading import folder_load
from shop.services.imports.report import ALL_OR_NOTHING, MODES, LoadReport
from shop.services.imports.tables import TABLES


class Command(BaseCommand):
    """`manage.py load FOLDER_OR_FILE`: exit code 1 when anything was refused."""

    help = (
        "Load a folder of CSV files (UTF-8, commas, one header line), or one of them. Loading the same files "
        "again changes nothing. Files, in the order they are loaded: "
        + ", ".join(table.file for table in TABLES)
        + "."
    )
    requires_system_checks = []

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Take the path and how to load it."""
        parser.add_argument("path", type=Path, metavar="FOLDER_OR_FILE")
        parser.add_argument("--dry-run", action="store_true", help="do the same work, then take it all back")
        parser.add_argument(
            "--mode",
            choices=MODES,
            default=ALL_OR_NOTHING,
            help="all-or-nothing (default): one bad row and nothing is written; good-rows-in: the others go in",
        )
        parser.add_argument("--json", action="store_true", help="print the report as JSON")

    def handle(self, *args: object, **options: object) -> None:
        """Load, print the report, and leave with 1 when anything was refused."""
        try:
            report = folder_load(
                options["path"],
                mode=options["mode"],
                is_dry_run=options["dry_run"],
                progress=self._progress if options["verbosity"] else None,
            )
        except InputError as error:
            raise CommandError(error.sentence) from error
        except (OperationalError, ProgrammingError) as error:
            raise CommandError(NOT_PREPARED.format(error=error)) from error
        if options["json"]:
            self.stdout.write(json.dumps(report.as_data(), ensure_ascii=False, indent=2))
        else:
            self._print(report)
        if report.refusals:
            sys.exit(1)

    def _print(self, report: LoadReport) -> None:
        for file in report.files:
            would = "" if report.is_written or not (report.refusals or report.is_dry_run) else "would be "
            counts = [
                f"{count} {would if name in ('added', 'changed') else ''}{name}"
                for name, count in file.counts().items()
                if name != "asked"
            ]
            if file.asked:
                counts.append(f"{file.asked} asked about")
            self.stdout.write(f"{file.file}: {', '.join(counts)}")
            for remark in file.remarks:
                self.stdout.write(f"{file.file}: {remark}")
        for refusal in report.refusals:
            self.stdout.write(str(refusal))
        self.stdout.write(report.verdict())

    def _progress(self, file: str, done: int, rows: int) -> None:
        if rows >= 1000:
            self.stderr.write(f"{file}: {done} of {rows} rows read")
