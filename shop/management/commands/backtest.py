"""Test the forecast of meters on a history of readings, without looking ahead."""

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from intervals.errors import HatchmarkError
from intervals.forecast import Backtest, Score, backtest
from shop.errors import InputError
from shop.selectors.forecasts import history_read

USAGE = 2
MOST_REFUSALS_TOLD = 10


class Command(BaseCommand):
    """`manage.py backtest FILE.csv --lead N [--json]`: exit code 2 when the file or the lead cannot be used."""

    help = (
        "Walk forward through a file of readings (columns vehicle, date, odometer, and if wanted group and unit) and "
        "forecast, at each reading with twelve months behind it and its outcome in the file, the day on which the "
        "meter will have moved on by --lead. Prints how far the forecasts were off, beside two naive ways."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the file, the lead and how to print."""
        parser.add_argument("file", type=Path, help="CSV file of readings")
        parser.add_argument(
            "--lead", type=float, required=True, help="how far the meter moves on, in the file's unit"
        )
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    def handle(self, *args: object, **options: Any) -> None:
        """Print the scores."""
        try:
            rows = history_read(options["file"])
            self._tell_refused(rows.refused)
            found = backtest(rows.histories(), options["lead"])
        except (HatchmarkError, InputError) as error:
            self.stderr.write(str(error))
            sys.exit(USAGE)
        data = _data(found, rows.unit, len(rows.refused))
        self.stdout.write(json.dumps(data, indent=2) if options["json"] else _table(found, rows.unit))

    def _tell_refused(self, sentences: Sequence[str]) -> None:
        for sentence in sentences[:MOST_REFUSALS_TOLD]:
            self.stderr.write(f"Set aside: {sentence}")
        if len(sentences) > MOST_REFUSALS_TOLD:
            self.stderr.write(f"… and {len(sentences) - MOST_REFUSALS_TOLD} more rows.")


def _data(found: Backtest, unit: str, refused: int) -> dict[str, Any]:
    return {
        "lead": found.lead,
        "unit": unit,
        "n": found.n,
        **asdict(found.score),
        "coverage_80": found.coverage_80,
        "width_80_days": found.width_80_days,
        "rivals": {name: asdict(score) for name, score in found.rivals.items()},
        "mean_lead_days": found.mean_lead_days,
        "rows_refused": refused,
        "readings_set_aside": found.set_aside,
        "meters_cut": found.cuts,
    }


def _table(found: Backtest, unit: str) -> str:
    lines = [
        f"{found.n} forecasts of {found.lead:g} {unit or 'on the meter'}, {found.mean_lead_days:.0f} days on average",
        "",
        f"{'':22}{'mean error':>12}{'median':>10}{'bias':>10}   days",
        _line("this forecast", found.score),
        *(_line(name.replace("_", " "), score) for name, score in found.rivals.items()),
        "",
        f"80 % range: held {found.coverage_80:.1%} of outcomes, {found.width_80_days:.0f} days wide on average",
        f"{found.set_aside} readings set aside, {found.cuts} meters went back and count as new from there",
    ]
    return "\n".join(lines)


def _line(name: str, score: Score) -> str:
    return f"{name:22}{score.mae_days:12.1f}{score.median_ae_days:10.1f}{score.bias_days:+10.1f}"
