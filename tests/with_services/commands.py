"""The project's commands as processes of their own."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def environment(folder: Path) -> dict[str, str]:
    """Return the environment of an installation in a folder: SQLite, no worker."""
    env = {**os.environ, "DATA_DIR": str(folder)}
    env.pop("DATABASE_URL", None)
    env.pop("REDIS_URL", None)
    return env


def manage(env: dict[str, str], *command: str) -> None:
    subprocess.run(
        [sys.executable, "manage.py", *command], cwd=ROOT, env=env, check=True, capture_output=True
    )


def load_demo(env: dict[str, str]) -> None:
    """Make the tables as a depot does, by the migrations, and load the demo depot."""
    manage(env, "migrate", "--verbosity", "0")
    manage(env, "load", "fixtures_demo", "--verbosity", "0")
