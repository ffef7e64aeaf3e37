"""Words made from plain records are the words made from the objects they stand for."""

import datetime

import pytest

from intervals.due import compute_due
from shop.models import Fitting, MeterUse
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due_facts import DueWords, words_of
from shop.selectors.line_records import gather_records


def words(inputs: CoreInputs, day: datetime.date, *, has_range: bool) -> dict[tuple[int, int], DueWords]:
    result = compute_due(
        day, inputs.distance, inputs.hours, inputs.time, inputs.opens_share, inputs.closes_share,
        has_range=has_range,
    )  # fmt: skip
    return {
        (line.fitting.unit_id, line.rule.pk): words_of(inputs, result, row, day, day, None)
        for row, line in enumerate(inputs.lines)
    }


@pytest.mark.parametrize("days", [-40, 0, 1, 45, 200])
@pytest.mark.parametrize("is_kept", [True, False])
def test_every_line_of_the_depot_reads_the_same(depot_run, days, is_kept):
    """Seasons, severities, hour meters, unknown history; use that is kept, not kept, or kept beyond the day."""
    if not is_kept:
        MeterUse.objects.all().delete()
    day = depot_run + datetime.timedelta(days=days)
    expected = words(gather(day, Fitting.objects.all()), day, has_range=True)
    units = list(Fitting.objects.values_list("unit", flat=True))
    assert words(gather_records(day, units), day, has_range=False) == expected
    assert len(expected) > 150


def test_a_unit_without_lines_has_none(depot_run):
    assert gather_records(depot_run, []).lines == ()
