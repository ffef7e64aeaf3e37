"""The benchmark of exchange plans reports what it timed and fails when the fast way answers differently."""

import json
from dataclasses import replace
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from shop.management.commands import exchange_benchmark


def test_the_benchmark_agrees_with_plans_made_one_by_one():
    out = StringIO()
    call_command("exchange_benchmark", "--plans", "40", "--sample", "20", "--json", stdout=out)
    result = json.loads(out.getvalue())
    assert (result["plans"], result["sample"], result["disagreeing"]) == (40, 20, 0)
    assert result["largest_share_difference"] <= 1e-9
    assert result["ratio"] == pytest.approx(result["one_by_one_seconds"] / result["seconds"])


def test_the_benchmark_fails_when_a_plan_differs(monkeypatch):
    honest = exchange_benchmark.plan_many

    def wrong(*args):
        table = honest(*args)
        return replace(table, pushed_l=table.pushed_l + 0.25)

    monkeypatch.setattr(exchange_benchmark, "plan_many", wrong)
    with pytest.raises(SystemExit) as left:
        call_command("exchange_benchmark", "--plans", "10", "--sample", "5", stdout=StringIO())
    assert left.value.code == 1


def test_the_benchmark_says_what_it_times():
    out = StringIO()
    call_command("exchange_benchmark", "--plans", "10", "--sample", "2", stdout=out)
    assert "plans/s" in out.getvalue()
    assert "ratio" in out.getvalue()


def test_the_benchmark_needs_a_plan():
    with pytest.raises(CommandError, match="1 or more"):
        call_command("exchange_benchmark", "--plans", "0")
