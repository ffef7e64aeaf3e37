"""`manage.py backtest`: scores as JSON or a table, rows that cannot be used named, no database."""

import csv
import datetime
import io
import json

import pytest
from django.core.management import call_command

from tests.intervals.forecast.fleets import fleet


@pytest.fixture
def run(tmp_path):
    """Return a function that writes a file, runs the command on it and gives exit code, output and complaints."""

    def run(rows, *options):
        path = tmp_path / "readings.csv"
        with path.open("w", newline="") as file:
            csv.writer(file).writerows(rows)
        out, err = io.StringIO(), io.StringIO()
        try:
            call_command("backtest", str(path), *options, stdout=out, stderr=err, no_color=True)
        except SystemExit as left:
            return left.code, out.getvalue(), err.getvalue()
        return 0, out.getvalue(), err.getvalue()

    return run


def rows_of(seed=1, **kind):
    vehicles, groups, days, totals = fleet(seed, groups=2, **kind)
    yield ["vehicle", "group", "date", "odometer", "unit"]
    for vehicle, group, day, total in zip(vehicles, groups, days, totals, strict=True):
        yield [vehicle, group, datetime.date.fromordinal(day).isoformat(), f"{total:.1f}", "km"]


def test_scores_come_as_json(run):
    code, out, err = run(rows_of(), "--lead", "8000", "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert {"n", "mae_days", "median_ae_days", "bias_days", "coverage_80", "width_80_days", "rivals"} <= set(
        found
    )
    assert set(found["rivals"]) == {"last_two_readings", "mean_12_months"}
    assert found["n"] > 500
    assert found["mae_days"] < found["rivals"]["mean_12_months"]["mae_days"]


def test_miles_and_km_give_the_same_days(run):
    rows = list(rows_of())
    in_km = json.loads(run(rows, "--lead", "8046.72", "--json")[1])
    in_miles = [[*row[:3], str(float(row[3]) / 1.609344), "mi"] for row in rows[1:]]
    found = json.loads(run([rows[0], *in_miles], "--lead", "5000", "--json")[1])
    assert found["unit"] == "mi"
    assert found["mae_days"] == pytest.approx(in_km["mae_days"], rel=1e-6)


def test_group_and_unit_may_be_left_out(run):
    rows = [[row[0], row[2], row[3]] for row in rows_of()]
    code, out, _ = run(rows, "--lead", "8000")
    assert code == 0
    assert "mean 12 months" in out
    assert "80 % range" in out


def test_a_row_that_cannot_be_used_is_named_and_set_aside(run):
    rows = list(rows_of())
    rows[3][2], rows[5][3], rows[7][4], rows[9][0] = "soon", "much", "miles", ""
    code, out, err = run(rows, "--lead", "8000", "--json")
    assert code == 0
    assert json.loads(out)["rows_refused"] == 4
    for told in ("Row 4, date: “soon”", "Row 6, odometer: “much”", "Row 8, unit: “miles”", "Row 10, vehicle"):
        assert told in err


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([["vehicle", "odometer"]], "lacks the column date"),
        ([["vehicle", "date", "odometer"]], "no row that can be used"),
        ([["vehicle", "date", "odometer"], ["A", "2026-01-01", "5"]], "No reading can be tested"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_a_sentence(run, rows, said):
    code, out, err = run(rows, "--lead", "8000", "--json")
    assert (code, out) == (2, "")
    assert said in err


def test_rows_are_named_though_nothing_can_be_tested(run):
    rows = [["vehicle", "date", "odometer"], ["K01", "2024-01-01", "5"], ["K01", "2024-13-01", "9"]]
    code, out, err = run(rows, "--lead", "100")
    assert (code, out) == (2, "")
    assert "Row 3, date: “2024-13-01” is no day" in err
    assert "twelve months behind it" in err


def test_a_lead_that_is_none_is_refused(run):
    code, _, err = run(rows_of(), "--lead", "0")
    assert code == 2
    assert "above zero" in err
