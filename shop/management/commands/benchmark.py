"""Measure the due engine on a made-up fleet, each stage beside a limit measured in the same run."""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from shop.errors import ConflictError
from shop.services.benchmark import AT_LEAST, measure


class Command(BaseCommand):
    """`manage.py benchmark --vehicles N [--json]`: in a database of its own, made for it and taken away again."""

    help = (
        "Build a made-up fleet in a database of its own and time the due engine on it: a full run, the same again, a "
        "night in which 2 % of the vehicles have news, the same night again, readings in, the due list. Each stage "
        "stands beside a limit measured in the same run, as a ratio; seconds say little about another machine. "
        "On PostgreSQL it signs in as a superuser: it makes its database, and lets the server read without sending."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the size of the fleet and how to print."""
        parser.add_argument("--vehicles", type=int, default=1_000, help="size of the fleet (default 1000)")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument(
            "--inside", action="store_true", help="measure in the database at hand, which must be empty"
        )

    def handle(self, *args: object, **options: Any) -> None:
        """Measure, and print the stages."""
        if options["vehicles"] < 1:
            raise CommandError("Give at least one vehicle, e.g. --vehicles 1000.")
        if not options["inside"]:
            with tempfile.TemporaryDirectory() as folder:
                self.stdout.write(_in_own_database(options, Path(folder)), ending="")
            return
        try:
            found = measure(options["vehicles"])
        except ConflictError as error:
            raise CommandError(error.sentence) from error
        self.stdout.write(json.dumps(found, indent=2) if options["json"] else _table(found))


def _in_own_database(options: dict[str, Any], folder: Path) -> str:
    """Run the same command in a process whose database is new, and take the database away afterwards."""
    environment = {**os.environ, "DATA_DIR": str(folder), "REDIS_URL": ""}
    name, url = f"hatchmark_benchmark_{os.getpid()}", os.environ.get("DATABASE_URL", "")
    is_server = connection.vendor == "postgresql"
    if is_server:
        environment["DATABASE_URL"] = urlunsplit(urlsplit(url)._replace(path=f"/{name}"))
        _on_server(f"create database {name}")
    try:
        arguments = [
            "benchmark",
            "--inside",
            "--vehicles",
            str(options["vehicles"]),
            *["--json"] * options["json"],
        ]
        for command in (["migrate", "--verbosity", "0"], arguments):
            done = subprocess.run(
                [sys.executable, str(settings.BASE_DIR / "manage.py"), *command], env=environment, text=True,
                stdout=subprocess.PIPE, check=False,
            )  # fmt: skip
            if done.returncode:
                raise CommandError(f"The benchmark stopped in “{command[0]}”; see the message above.")
        return done.stdout
    finally:
        if is_server:
            _on_server(f"drop database {name} with (force)")


def _on_server(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


def _table(found: dict[str, Any]) -> str:
    lines = [
        f"{found['vehicles']} vehicles, {found['lines']} lines, {found['readings']} readings, {found['database']}, "
        f"{found['peak_mib']} MiB at most",
        f"{'stage':46}{'amount':>12}{'ratio':>9}{'goal':>7}  to",
    ]
    for name, stage in found["stages"].items():
        ratio = "" if stage["ratio"] is None else f"{stage['ratio']:.2f}"
        least = "≥ " if name in AT_LEAST else ""
        goal = "" if stage["goal_ratio"] is None else f"{least}{stage['goal_ratio']:.3g}"
        word = {None: "", True: "; met", False: "; missed"}[stage["is_met"]]
        amount = f"{stage['amount']:.3f} {stage['unit']}"
        lines.append(f"{name:46}{amount:>12}{ratio:>9}{goal:>7}  {stage['limit']}{word}")
    return "\n".join(lines) + "\n"
