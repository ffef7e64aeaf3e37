"""Small files, small functions, thin tasks."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MOST_LINES_A_FILE = 400
MOST_LINES_A_FUNCTION = 50
MOST_LINES_A_TASK = 15
FILES = sorted(
    path
    for room in ("intervals", "shop", "notifications", "tests")
    for path in (ROOT / room).rglob("*.py")
    if "migrations" not in path.parts
)


def functions(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    tree = ast.parse(path.read_text())
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]


def code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of the body, docstring and signature not counted."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_file_keeps_its_budget(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= MOST_LINES_A_FILE, "split it by subject"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_functions_keep_their_budget(path: Path) -> None:
    most = MOST_LINES_A_TASK if path.name == "tasks.py" else MOST_LINES_A_FUNCTION
    long = {own.name: code_lines(own) for own in functions(path) if code_lines(own) > most}
    assert not long, f"more than {most} lines of code: {long}"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_file_has_a_telling_name(path: Path) -> None:
    assert path.stem not in {"utils", "helpers", "manager", "misc", "common"}
