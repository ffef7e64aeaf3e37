"""Answer one request to the bench from the command line, for scripts and other programs."""

import json
import sys

from django.core.management.base import BaseCommand, CommandParser

from shop.selectors.bench import bench_data, bench_of
from shop.selectors.bench_request import BenchRefused, read_request, schema

USAGE = 2


class Command(BaseCommand):
    """`manage.py exchange --json < request.json`: exit code 2 when the request cannot be used.

    The request is one JSON object: a `unit` on record or a `card` typed out, then as wanted `method`,
    `target_share` or `new_fluid_l`, `allowed_methods`, `temperatures`, `measures`, `fluid` and `rates`.
    `manage.py exchange --schema` prints all its members with their units, ranges and defaults as JSON Schema.
    Only a request that names a unit reads the database.
    """

    help = (
        "Read one JSON request on standard input and print the exchange plan as JSON. Smallest request: "
        '{"card": {"total_fill_l": 11.2, "quick_drain_l": 3.6}}. What cannot be used is named on standard error '
        'as {"errors": [{"pointer", "detail"}]}, with exit code 2. All members: --schema.'
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Take what to print."""
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("--json", action="store_true", help="read a request, print the plan")
        what.add_argument("--schema", action="store_true", help="print the JSON Schema of a request")

    def handle(self, *args: object, **options: object) -> None:
        """Print the schema, or the answer to the request on standard input."""
        if options["schema"]:
            self._print(schema())
            return
        try:
            data = json.load(sys.stdin)
        except (ValueError, RecursionError) as error:
            self._refuse([((), f"The input is no JSON: {error}.")])
        try:
            self._print(bench_data(bench_of(read_request(data), is_every_depot=True)))
        except BenchRefused as error:
            self._refuse(error.places)

    def _print(self, data: object) -> None:
        self.stdout.write(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))

    def _refuse(self, places: list[tuple[tuple[str, ...], str]]) -> None:
        """Name every figure that cannot be used, in the API's words: a JSON pointer and one sentence each."""
        errors = [{"pointer": _pointer(path), "detail": sentence} for path, sentence in places]
        self.stderr.write(json.dumps({"errors": errors}, ensure_ascii=False, indent=2))
        sys.exit(USAGE)


def _pointer(path: tuple[str, ...]) -> str:
    steps = (step.replace("~", "~0").replace("/", "~1") for step in path)
    return f"#{''.join(f'/{step}' for step in steps)}"
