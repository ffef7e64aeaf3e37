"""`manage.py learn`: learn from closed jobs and propose changes of unit cards."""

import argparse
import datetime
import json

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db.utils import OperationalError, ProgrammingError

from shop import clock
from shop.errors import NOT_PREPARED
from shop.services.learning import LearnLine, LearnReport, learn_refit


class Command(BaseCommand):
    """Propose card changes; a person accepts or declines them on the page “Learned”."""

    help = (
        "Learn from the closed jobs how much drains really give, how sticks, trays and jugs read and how units mix, "
        "and propose changes of unit cards and tools. Nothing changes until a person accepts; running again proposes "
        "nothing new."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the day and the form of the report."""
        parser.add_argument(
            "--as-of", type=_day, metavar="YYYY-MM-DD", help="jobs closed up to this day; without it, today (UTC)"
        )  # fmt: skip
        parser.add_argument("--json", action="store_true", help="print the report as JSON")

    def handle(self, *args: object, **options: object) -> None:
        """Learn and report."""
        try:
            report = learn_refit(options["as_of"] or clock.today("UTC"))
        except (OperationalError, ProgrammingError) as error:
            raise CommandError(NOT_PREPARED.format(error=error)) from error
        if options["json"]:
            self.stdout.write(json.dumps(report.as_data(), ensure_ascii=False, indent=2, allow_nan=False))
        else:
            self.stdout.write(_as_text(report))


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"“{text}” is no day; write it like 2026-03-02.") from error


def _as_text(report: LearnReport) -> str:
    if not report.lines:
        return f"{report.as_of}: no job up to this day measured anything to learn from."
    return "\n".join(text for line in report.lines for text in _line(line))


def _line(line: LearnLine) -> list[str]:
    head = f"{line.subject} {line.figure}: {line.outcome}"
    if line.value is not None:
        unit = "" if line.measured_in == "-" else f" {line.measured_in}"
        at = " at 15 °C" if line.measured_in == "L" else ""
        head += f"; {line.value:.3f} ± {line.sd:.3f}{unit}{at} from {line.n} jobs, book {line.book:g}{unit}"
    if line.ask_a_person:
        head += "; more than 15 % off the book, ask a person"
    return [head, *(f"  set aside {row['unit']} {row['job']}: {row['reason']}" for row in line.set_aside)]
