"""The benchmark of the order plan at a size a test can carry; its shape and its optimum, never its seconds."""

import io
import json

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError


def test_the_solver_finds_the_same_optimum():
    out = io.StringIO()
    call_command("order_plan_benchmark", "--fluids", "6", "--weeks", "12", "--json", stdout=out)
    found = json.loads(out.getvalue())
    assert (found["fluids"], found["weeks"], found["solver_fluids"]) == (6, 12, 5)
    assert found["largest_difference"] < 1e-4
    assert 0.0 <= found["gap_share"] < 0.1
    assert found["orders"] > 0


def test_no_fluid_at_all_is_refused():
    with pytest.raises(CommandError, match="at least one fluid"):
        call_command("order_plan_benchmark", "--fluids", "0")
