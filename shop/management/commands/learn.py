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
        "Learn how much drains really give from the closed jobs that were weighed or read with a temperature, and "
        "propose changes of the unit cards. Nothing changes until a person accepts; running again proposes nothing "
        "new."
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
        return f"{report.as_of}: no job up to this day has drained a unit and nothing else."
    return "\n".join(text for line in report.lines for text in _line(line))


def _line(line: LearnLine) -> list[str]:
    head = f"{line.unit_model} {line.figure}: {line.outcome}"
    if line.value_l is not None:
        head += (
            f"; {line.value_l:.3f} ± {line.sd_l:.3f} L at 15 °C from {line.n} jobs, book {line.book_l:g} L"
        )
    if line.ask_a_person:
        head += "; more than 15 % off the book, ask a person"
    return [head, *(f"  set aside {row['unit']} {row['job']}: {row['reason']}" for row in line.set_aside)]
