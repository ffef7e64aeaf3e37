"""The page about the CSV files names every column there is, and no other."""

import re
from pathlib import Path

from shop.services.imports.tables import TABLES

README = Path(__file__).resolve().parents[3] / "fixtures_demo" / "README.md"


def test_readme_of_the_demo_folder_names_every_column() -> None:
    told = {
        match[1]: re.sub(r"[*\\ ]", "", match[2]).split(",")
        for match in re.finditer(r"^\| (\w+\.csv) \| (.+) \|$", README.read_text(), re.MULTILINE)
    }
    assert told == {table.file: list(table.names) for table in TABLES}
