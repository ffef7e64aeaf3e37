"""The demo folder goes in through the ordinary loader."""

from pathlib import Path

import pytest

from shop.models import LastService, Reading, Unit
from shop.services.imports.loading import folder_load

FOLDER = Path(__file__).resolve().parents[3] / "fixtures_demo"

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]


def test_the_demo_folder_goes_in_whole_and_twice_changes_nothing():
    first = folder_load(FOLDER)
    assert [str(one) for one in first.refusals] == []
    assert Unit.objects.count() == 192
    again = folder_load(FOLDER)
    assert not again.has_changes
    assert not again.is_written


def test_the_demo_folder_brings_its_meter_stories():
    folder_load(FOLDER)
    asked = {one.meter.vehicle.number: one for one in Reading.objects.filter(status="asked")}
    assert set(asked) == {"K25", "K37"}
    assert asked["K25"].guess_value == pytest.approx(5_180.7)
    assert asked["K37"].guess_value == pytest.approx(38_419.4, abs=0.1)
    newest = {
        number: Reading.objects.filter(meter__vehicle__number=number, status="accepted").first().true_total
        for number in ("K05", "K39")
    }
    assert newest == {"K05": pytest.approx(153_585), "K39": pytest.approx(10_041.3)}
    carried = LastService.objects.get(unit__code="K02-TB6", subject="fluid")
    assert carried.age_km == pytest.approx(65_414, abs=1)
