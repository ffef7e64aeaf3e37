"""The command `load`: counts, sentences, JSON, progress and exit code."""

import io
import json

import pytest
from django.core.management import CommandError, call_command

from shop.errors import InputError
from shop.services.imports.loading import folder_load
from tests.shop.services.small_fleet import FLEET, TWO_ROWS, load

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]


def write(folder, files):
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def run_command(*args):
    out, err = io.StringIO(), io.StringIO()
    code = 0
    try:
        call_command("load", *[str(one) for one in args], stdout=out, stderr=err)
    except SystemExit as left:
        code = left.code
    return code, out.getvalue(), err.getvalue()


def test_the_command_loads_a_folder_and_one_file_alone(tmp_path):
    write(tmp_path, FLEET)
    (tmp_path / "README.md").write_text("not a table", encoding="utf-8")
    code, out, _ = run_command(tmp_path)
    assert code == 0
    assert "vehicles.csv: 2 rows, 2 added, 0 changed, 0 unchanged, 0 refused" in out
    code, out, _ = run_command(tmp_path / "readings.csv")
    assert "readings.csv: 2 rows, 0 added, 0 changed, 2 unchanged, 0 refused" in out
    assert "Nothing to write" in out


def test_the_command_leaves_with_1_and_the_sentence_when_a_row_is_refused(tmp_path, fleet):
    write(tmp_path, TWO_ROWS)
    code, out, _ = run_command(tmp_path, "--mode", "good-rows-in", "--dry-run")
    assert code == 1
    assert "readings.csv: Row 3, value: " in out
    assert "Dry run: nothing was written." in out


def test_the_command_prints_json(tmp_path, fleet):
    write(tmp_path, TWO_ROWS)
    code, out, _ = run_command(tmp_path, "--json")
    data = json.loads(out)
    assert (code, data["written"], data["mode"]) == (1, False, "all-or-nothing")
    assert data["files"][0]["refusals"][0]["row"] == 3


def test_long_files_show_their_progress(tmp_path, fleet):
    rows = "".join(f"K01,odometer,2025-01-01 {n // 60:02}:{n % 60:02},1000\n" for n in range(1_000))
    write(tmp_path, {"readings.csv": "vehicle,meter,read_at,value\n" + rows})
    _, _, err = run_command(tmp_path, "--dry-run")
    assert "readings.csv: 1000 of 1000 rows" in err


def test_a_path_with_nothing_to_load_says_so(tmp_path):
    with pytest.raises(CommandError, match="no CSV file"):
        run_command(tmp_path)
    with pytest.raises(InputError, match="no folder or file"):
        folder_load(tmp_path / "missing")
    with pytest.raises(InputError, match="all-or-nothing, good-rows-in"):
        load({}, mode="some")
