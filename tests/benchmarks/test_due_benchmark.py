"""The benchmark of the due engine at a size a test can carry: its shape and its counts, never its seconds."""

import io
import json

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from shop import clock
from shop.models import DueLine
from shop.services.benchmark import AT_LEAST, MASS, measure
from tests.factories import DepotFactory


@pytest.fixture
def held_clock():
    yield
    clock.pin(None)


@pytest.mark.django_db
@pytest.mark.usefixtures("held_clock")
def test_each_stage_does_what_it_says():
    found = measure(60)
    stages = found["stages"]
    assert (found["vehicles"], found["lines"]) == (60, 180)
    assert stages["first run, every line new"]["did"] == {"lines": 180, "written": 180}
    assert stages["full run, nothing to write"]["did"] == {"lines": 180, "written": 0}
    night = stages["incremental run of the night"]["did"]
    untouched = DueLine.objects.filter(state="not yet").values("vehicle").distinct().count()
    assert 0 < night["lines"] <= 180
    assert untouched
    assert stages["the same night again"]["did"]["written"] == 0
    assert stages["readings in, judged and re-projected"]["did"] == 1
    # Row by row the same days come out as in columns.
    assert stages["one after the other by objects"]["did"] == {"lines": 180, "the same": 180}
    if found["database"] == "postgresql":
        assert stages[MASS]["did"] == {"lines": 180, "written": 180}
        assert stages[f"log written: {MASS}"]["amount"] > 0
    for name, stage in stages.items():
        assert (stage["ratio"] is None) == (not stage["limit"])
        if stage["goal_ratio"] is not None:
            is_more = stage["ratio"] > stage["goal_ratio"]
            assert stage["is_met"] == (is_more if name in AT_LEAST else not is_more)


@pytest.mark.django_db
def test_a_database_with_a_fleet_is_left_alone():
    DepotFactory()
    with pytest.raises(CommandError, match="holds a fleet already"):
        call_command("benchmark", "--inside", stdout=io.StringIO())


@pytest.mark.django_db
def test_a_fleet_of_none_is_refused():
    with pytest.raises(CommandError, match="at least one vehicle"):
        call_command("benchmark", "--vehicles", "0")


@pytest.mark.django_db
@pytest.mark.usefixtures("held_clock")
@pytest.mark.parametrize("option", ["--json", ""])
def test_it_prints_json_or_a_table(option):
    out = io.StringIO()
    call_command("benchmark", "--inside", "--vehicles", "5", *filter(None, [option]), stdout=out)
    assert "full run, nothing to write" in out.getvalue()
    if option:
        assert json.loads(out.getvalue())["database"] in ("sqlite", "postgresql")
