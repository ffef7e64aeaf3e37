"""`manage.py daily_run`: the daily run by hand or from a timer."""

import argparse
import datetime
import json
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.utils import OperationalError, ProgrammingError

from notifications.services.daily import RunReport, daily_runs
from shop.errors import NOT_PREPARED, ApplicationError


class Command(BaseCommand):
    """Run the day of some or all depots and print what each step did."""

    help = "Works out what is due and what to order, and tells people; safe to repeat. Exit code 1 if a run failed."
    # No page is served here; to load all of them takes longer than a small depot's run.
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Add which depots, which day, and the form of the report."""
        parser.add_argument("--depot", nargs="+", action="extend", metavar="CODE", help="only these depots")
        parser.add_argument(
            "--as-of",
            type=_day,
            metavar="YYYY-MM-DD",
            help="run for this day; without it, each depot's today",
        )
        parser.add_argument(
            "--again", action="store_true", help="do every step once more even if the run is done"
        )
        parser.add_argument(
            "--full",
            action="store_true",
            help="do every step once more, and work out every unit, not only those that may have changed",
        )
        parser.add_argument("--json", action="store_true", help="print the report as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        """Run and report."""
        try:
            runs = daily_runs(
                options["depot"],
                options["as_of"],
                is_again=options["again"] or options["full"],
                is_full=options["full"],
            )
        except ApplicationError as error:
            raise CommandError(error.sentence) from error
        except (OperationalError, ProgrammingError) as error:
            raise CommandError(NOT_PREPARED.format(error=error)) from error
        self.stdout.write(_as_json(runs) if options["json"] else "\n".join(_as_text(run) for run in runs))
        if any(run.is_failed for run in runs):
            raise SystemExit(1)


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"“{text}” is no day; write it like 2026-03-02.") from error


def _as_text(run: RunReport) -> str:
    before = ", done before this call, nothing done again" if run.was_done else ""
    lines = [f"{run.depot} {run.as_of.isoformat()}: {run.state}{before}"]
    for name, counts in run.steps.items():
        told = ", ".join(f"{what.replace('_', ' ')} {count}" for what, count in counts.items())
        lines.append(f"  {name}: {told or 'nothing to do'}")
    return "\n".join([*lines, *([f"  error: {run.error}"] if run.error else [])])


def _as_json(runs: list[RunReport]) -> str:
    rows = [asdict(run) | {"as_of": run.as_of.isoformat()} for run in runs]
    return json.dumps({"runs": rows}, ensure_ascii=False, indent=2)
