"""`manage.py demo`: the whole chain on a folder of CSV files, printed, then served."""

import csv
import datetime
import json
import re
import sys
import zoneinfo
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.servers.basehttp import get_internal_wsgi_application, run
from django.db import connections

from notifications.services.daily import daily_run
from notifications.services.summary import Summary, day_summary
from shop import clock
from shop.errors import ApplicationError
from shop.selectors.depots import all_depots
from shop.services.imports.loading import AS_OF_FILE, folder_load, was_loaded
from shop.services.imports.report import ALL_OR_NOTHING, MODES
from shop.services.people import passwords_give

DEMO_FOLDER = settings.BASE_DIR / "fixtures_demo"
DEMO_PASSWORD = "zellowby-demo"
"""Printed on purpose: it opens the demo on this machine only."""
AT_ONCE = 14
HERE = "127.0.0.1"
MORNING = datetime.time(5, 30)


class Command(BaseCommand):
    """Load a folder, work out the day, print it and serve the pages on this machine only."""

    help = (
        "Loads the demo depot (or --data FOLDER), works out what is due and what to order, writes the mails, prints "
        "it all and serves the pages on 127.0.0.1. Safe to run again. Uses its own SQLite file unless DATABASE_URL "
        "is set."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Add which folder, which day, what to print and whether to serve."""
        parser.add_argument(
            "--data", type=Path, default=DEMO_FOLDER, metavar="FOLDER", help="your own CSV files"
        )
        parser.add_argument(
            "--as-of", metavar="YYYY-MM-DD", help="the day; without it the folder's as_of.txt, else today"
        )
        parser.add_argument(
            "--mode", choices=MODES, default=ALL_OR_NOTHING, help="as for load (all-or-nothing)"
        )
        parser.add_argument("--no-serve", action="store_true", help="stop after printing")
        parser.add_argument("--json", action="store_true", help="print one JSON object and stop")
        parser.add_argument("--fresh", action="store_true", help="begin with an empty demo file")
        parser.add_argument("--port", type=int, default=8000, help="port to serve on (8000)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Walk the whole chain once."""
        folder: Path = options["data"]
        if not folder.is_dir() or not any(folder.glob("*.csv")):
            raise CommandError(f"“{folder}” is no folder with CSV files; see “Your own data” in README.md.")
        if not 0 < options["port"] < 65536:
            raise CommandError(f"--port {options['port']}: a port lies between 1 and 65535.")
        self._use_own_file(folder, is_fresh=options["fresh"])
        self._say("Preparing the database …")
        call_command("migrate", verbosity=0, interactive=False)
        # What is loaded is noted on the folder's day, not on the computer's.
        clock.pin(_instant(folder, None, _time_zone(folder)))
        is_new = self._load(folder, options["mode"])
        depots = all_depots()
        if not depots:
            raise CommandError(
                f"“{folder}” names no depot; it needs a depots.csv, see “Your own data” in README.md."
            )
        clock.pin(_instant(folder, options["as_of"], depots[0].time_zone))
        passwords_give(DEMO_PASSWORD)
        for depot in depots:
            day = clock.today(depot.time_zone)
            self._say(f"Working out {depot.name} for {day} …")
            try:
                run = daily_run(depot, day, is_again=is_new)
            except ApplicationError as error:
                raise CommandError(f"{error.sentence} Or begin anew with --fresh.") from error
            if run.error:
                raise CommandError(f"The daily run of {depot.code} failed: {run.error}")
        summary = day_summary(clock.today(depots[0].time_zone))
        if options["json"]:
            self.stdout.write(json.dumps(summary.as_data(), ensure_ascii=False, indent=2))
            return
        self._print(summary)
        if not options["no_serve"]:
            self._serve(options["port"], summary)

    def _say(self, text: str) -> None:
        self.stderr.write(text)

    def _use_own_file(self, folder: Path, *, is_fresh: bool) -> None:
        """Keep the demo out of a depot's own records: one SQLite file per folder, unless a database is named."""
        if not settings.DATABASE_IS_EMBEDDED:
            if is_fresh:
                raise CommandError(
                    "--fresh empties only the demo's own file; DATABASE_URL is set, so it is refused."
                )
            return
        name = "" if folder.resolve() == DEMO_FOLDER else "-" + re.sub(r"\W+", "-", folder.resolve().name)
        file = settings.DATA_DIR / f"demo{name}.sqlite3"
        if is_fresh:
            for leftover in file.parent.glob(f"{file.name}*"):
                leftover.unlink()
        connections["default"].close()
        connections.settings["default"]["NAME"] = connections["default"].settings_dict["NAME"] = str(file)

    def _load(self, folder: Path, mode: str) -> bool:
        """Load the folder and say whether anything was new."""

        def progress(file: str, done: int, rows: int) -> None:
            if sys.stderr.isatty() or done == rows:
                self._say(f"  {file}: {done} of {rows} rows")

        try:
            if was_loaded(folder):
                self._say(f"{folder} was loaded before; the records go on from there (--fresh begins anew).")
                return False
            self._say(f"Loading {folder} …")
            report = folder_load(folder, mode=mode, progress=progress)
        except ApplicationError as error:
            raise CommandError(error.sentence) from error
        if report.refusals and not report.is_written:
            raise CommandError("\n".join([*map(str, report.refusals), report.verdict()]))
        for refusal in report.refusals:
            self._say(str(refusal))
        self._say(report.verdict())
        return report.is_written

    def _print(self, summary: Summary) -> None:
        out = self.stdout.write
        out(f"\n{summary.as_of:%a} {summary.as_of.day} {summary.as_of:%b %Y}")
        out("Due lines: " + ", ".join(f"{state} {count}" for state, count in summary.due_states.items()))
        for overlay, vehicles in summary.overlays.items():
            if vehicles:
                out(f"  {overlay}: {', '.join(vehicles)}")
        out("\nFirst on the list")
        for row in summary.due[:AT_ONCE]:
            laid_over = f" [{', '.join(row['overlays'])}]" if row["overlays"] else ""
            out(f"  {row['vehicle']:5} {row['unit']:16} {row['state']:11}{laid_over} {row['sentence']}")
        out("\nOrdering list")
        for line in summary.order_list:
            if line["packs"]:
                out(f"  {line['when']:12} {line['sentence']}")
        out("\nMail")
        for mail in summary.mail:
            out(f"  {mail['to']}: {mail['subject']}  ({mail['state']})")
        if settings.MAIL_FOLDER:
            out(f"  as files in {settings.MAIL_FOLDER}")

    def _serve(self, port: int, summary: Summary) -> None:
        self.stdout.write(f"\nPages: http://{HERE}:{port}/   (stop with Ctrl+C)")
        self.stdout.write(f"Sign in as {', '.join(summary.sign_ins)} with the password {DEMO_PASSWORD}")
        self.stdout.flush()
        try:
            run(HERE, port, get_internal_wsgi_application(), threading=True)
        except KeyboardInterrupt:
            self.stdout.write("Stopped.")
        except OSError as error:
            raise CommandError(
                f"Port {port} cannot be used ({error.strerror}); name another with --port."
            ) from error


def _time_zone(folder: Path) -> str:
    """Return the time zone of the folder's first depot; UTC where it names none that is known."""
    file = folder / "depots.csv"
    if not file.is_file():
        return "UTC"
    with file.open(encoding="utf-8-sig", newline="") as rows:
        named = next(csv.DictReader(rows), {}).get("time_zone")
    return named if named in zoneinfo.available_timezones() else "UTC"


def _instant(folder: Path, as_of: str | None, time_zone: str) -> datetime.datetime | None:
    """Return the instant to hold the clock at: the day given, else the folder's; None lets the clock run."""
    file = folder / AS_OF_FILE
    text = as_of or (file.read_text(encoding="utf-8").strip() if file.is_file() else "")
    if not text:
        return None
    try:
        local = datetime.datetime.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"“{text}” is no day; write it like 2026-03-02 or 2026-03-02 05:30.") from error
    time = local.time() if local.time() > datetime.time(0) else MORNING
    return clock.local_instant(local.date(), time, time_zone)
