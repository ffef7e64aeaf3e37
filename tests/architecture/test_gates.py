"""Every gate of the project in the one test command: style, types, imports, migrations, locks."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent


def run(*command: str, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=300, env={**os.environ, **env}, check=False
    )


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=lambda command: " ".join(command),
)
def test_gate_passes(command: list[str]) -> None:
    result = run(str(BIN / command[0]), *command[1:], PYTHONPATH=str(ROOT))
    assert result.returncode == 0, result.stdout[-3000:] + result.stderr[-3000:]


def test_migrations_match_the_models(tmp_path: Path) -> None:
    result = run(
        sys.executable, "manage.py", "makemigrations", "--check", "--dry-run", DATA_DIR=str(tmp_path)
    )
    assert result.returncode == 0, result.stdout


def test_deployment_settings_raise_no_warning(tmp_path: Path) -> None:
    result = run(
        sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING",
        DATA_DIR=str(tmp_path), HTTPS_ONLY="true", SECRET_KEY="long-enough-for-a-check-" + "x1y2z3" * 8,
        SITE_URL="https://fluids.example.org", ALLOWED_HOSTS="fluids.example.org",
    )  # fmt: skip
    assert result.returncode == 0, result.stderr


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-dev.txt"])
def test_lock_file_is_hashed_and_names_no_host(name: str) -> None:
    text = (ROOT / name).read_text()
    packages = re.findall(r"^[\w.\[\]-]+==\S+", text, flags=re.MULTILINE)
    assert len(packages) > 40
    assert text.count("--hash=sha256:") >= len(packages)
    assert "://" not in text


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-dev.txt"])
def test_lock_file_holds_every_declared_dependency(name: str) -> None:
    import tomllib

    from packaging.requirements import Requirement
    from packaging.utils import canonicalize_name

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    declared = list(project["project"]["dependencies"])
    if name == "requirements-dev.txt":
        declared += project["dependency-groups"]["dev"]
    locked = {
        canonicalize_name(match[1]): match[2]
        for match in re.finditer(
            r"^([\w.-]+)(?:\[[^\]]*\])?==([^\s;\\]+)", (ROOT / name).read_text(), re.MULTILINE
        )
    }
    for line in declared:
        requirement = Requirement(line)
        version = locked.get(canonicalize_name(requirement.name))
        assert version is not None, f"{requirement.name} is declared but not in {name}"
        assert requirement.specifier.contains(version, prereleases=True), (
            f"{line} against {version} in {name}"
        )
