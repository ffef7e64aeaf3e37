"""What README.md and DEVELOPERS.md name is there: files, commands, options, names in the code, settings, version."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.management import get_commands, load_command_class

ROOT = Path(__file__).resolve().parents[2]
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
PAGES = [README, DEVELOPERS]
ROOMS = ("intervals", "shop", "notifications", "tests", "fixtures_demo", ".ci")
FILES = {
    str(path.relative_to(ROOT))
    for room in ROOMS
    for path in (ROOT / room).rglob("*")
    if path.is_file() and "__pycache__" not in path.parts
} | {path.name for path in ROOT.iterdir() if path.is_file()}
TEXT = "\n".join((ROOT / name).read_text() for name in FILES if name.endswith((".py", ".toml", ".csv")))

SPAN = re.compile(r"`([^`\n]+)`")
FENCE = re.compile(r"^```\w*\n(.*?)^```", re.MULTILINE | re.DOTALL)
FILE = re.compile(r"[\w./-]+\.(?:py|md|txt|toml|yml|csv|html|css|js|png)")
NAME = re.compile(r"(?:\w+\.)*([A-Za-z]\w*_\w+)")
COMMAND = re.compile(r"manage\.py +([a-z]\w*)([^&|]*)")


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def spans(page: Path) -> list[str]:
    return SPAN.findall(FENCE.sub("", text_of(page)))


def code_lines(page: Path) -> Iterator[str]:
    """Lines of the code blocks, without their comments, and the code in the sentences."""
    for block in FENCE.findall(text_of(page)):
        yield from (line.partition(" #")[0] for line in block.splitlines())
    yield from spans(page)


def is_there(name: str) -> bool:
    """Say whether a path, or the end of one, is a file or folder of this repository."""
    return (ROOT / name).exists() or any(one.endswith(f"/{name}") for one in FILES)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_file_named_exists(page: Path) -> None:
    named = {
        span for span in spans(page) if FILE.fullmatch(span) or re.match(rf"({'|'.join(ROOMS)})/[^<]*$", span)
    }
    links = set(re.findall(r"\]\(([^)#:]+)\)", text_of(page)))
    assert len(named | links) >= 3
    assert not [name for name in sorted(named | links) if not is_there(name)]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_named_is_one_with_these_options(page: Path) -> None:
    found = [match for line in code_lines(page) for match in COMMAND.findall(line)]
    assert len(found) >= 5
    known = get_commands()
    for name, rest in found:
        if name == "help":
            assert rest.split()[0] in known, rest
            continue
        assert name in known, name
        app = known[name]
        command = load_command_class(app, name) if isinstance(app, str) else app
        options = command.create_parser("manage.py", name)._option_string_actions
        asked = re.findall(r"(?<!\S)--?[a-z][\w-]*", rest)
        assert not [option for option in asked if option not in options], (name, asked)


def test_every_name_of_the_code_quoted_is_in_the_code() -> None:
    quoted = {match[1] for span in spans(DEVELOPERS) if (match := NAME.fullmatch(span))}
    assert len(quoted) > 20
    assert not [name for name in sorted(quoted) if not re.search(rf"\b{name}\b", TEXT)]


def test_the_map_names_every_folder_of_the_rooms() -> None:
    folders = {str(Path(name).parent) for name in FILES if name.endswith(".py") and "/" in name}
    # Containers, the database's history and what mirrors a room need no line of their own.
    plain = re.compile(
        r"shop|notifications|.*/management|.*/migrations|tests/(intervals|shop|notifications)\b.*"
    )
    told = {span.rstrip("/") for span in spans(DEVELOPERS)}
    assert len(folders) > 20
    assert not [folder for folder in sorted(folders) if not plain.fullmatch(folder) and folder not in told]


def test_the_test_command_of_the_readme_is_the_one_of_ci() -> None:
    commands = [line for block in FENCE.findall(text_of(README)) for line in block.splitlines()]
    tests = [line for line in commands if line.endswith("-m pytest")]
    assert len(tests) == 1
    assert tests[0] in (ROOT / ".ci" / "run").read_text().splitlines()


def test_the_table_of_settings_is_that_of_the_settings() -> None:
    source = (ROOT / "shop" / "settings.py").read_text()
    row = re.compile(r"^\| `?([A-Z_]+)`? +\| ([^|]+?) +\|", re.MULTILINE)
    documented = dict(row.findall(source))
    read = set(re.findall(r"(?:env\.\w+|_flag|_url)\(\s*\"([A-Z_]+)\"", source))
    assert documented.keys() == read
    assert dict(row.findall(text_of(DEVELOPERS))) == documented


def test_the_newest_change_is_this_version() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    newest = re.search(r"^## Changelog\n\n\*\*([\d.]+)\*\*", text_of(DEVELOPERS), re.MULTILINE)
    assert newest is not None
    assert newest[1] == version
