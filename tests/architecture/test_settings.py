"""A wrong setting stops the start with a sentence that names it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("DATABASE_URL", "mysql://localhost/x", "must start with one of"),
        ("REDIS_URL", "http://localhost", "must start with one of"),
        ("MAIL_URL", "mailto:somebody", "must start with one of"),
        ("SITE_URL", "fluids.example.org", "must start with one of"),
        ("SECRET_KEY", "short", "shorter than 32 characters"),
        ("HTTPS_ONLY", "perhaps", "neither true nor false"),
        ("DATA_DIR", "/dev/null/nowhere", "cannot be written"),
    ],
)
def test_wrong_setting_is_named_with_its_reason(name: str, value: str, words: str, tmp_path: Path) -> None:
    result = subprocess.run(
        [sys.executable, "manage.py", "check"],
        cwd=ROOT,
        env={**os.environ, "DATA_DIR": str(tmp_path), name: value},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode != 0
    last = result.stderr.strip().splitlines()[-1]
    assert f"environment variable {name} is wrong" in last
    assert words in last
    assert "Traceback" not in result.stderr
