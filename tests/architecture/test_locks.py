"""Rows that due lines point at are held so that a new line need not wait for them."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
HELD = re.compile(r"\b(Unit|Vehicle|IntervalRule)\.objects\.select_for_update\(([^)]*)\)")


def test_units_vehicles_and_rules_are_held_without_their_key() -> None:
    held = [
        (path.name, *found)
        for room in ("shop", "notifications")
        for path in (ROOT / room).rglob("*.py")
        for found in HELD.findall(path.read_text())
    ]
    assert len(held) >= 8
    assert [one for one in held if "no_key=True" not in one[2]] == []
