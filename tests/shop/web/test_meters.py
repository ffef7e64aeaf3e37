"""The meters page: a change by form, taken back, and a reading that belongs to another vehicle."""

import pytest

from shop.models import MeterChange, Reading
from tests.factories import ReadingFactory


@pytest.fixture
def van(yard):
    yard.add("K60", 57_000)
    yard.add("K61", 30_000)
    return "K60"


def test_a_change_by_form_is_noted_or_explained(foreman, van):
    page = foreman.get(f"/vehicles/{van}/meters").content.decode()
    assert "Note a change" in page
    assert "workshop, then telematics, then fuel card, then driver" in page
    given = {
        "meter": "odometer",
        "kind": "replaced",
        "day": "2026-03-01",
        "last_old": "100100",
        "first_new": "3",
    }
    refused = foreman.post(f"/vehicles/{van}/meters", given | {"last_old": "much"})
    assert refused.status_code == 422
    done = foreman.post(f"/vehicles/{van}/meters", given, follow=True).content.decode()
    assert "replaced on 2026-03-01" in done
    change = MeterChange.objects.get()
    address = f"/vehicles/{van}/meter-changes/{change.pk}/withdraw"
    assert "Say why" in foreman.post(address, {"note": ""}, follow=True).content.decode()
    assert "is taken back" in foreman.post(address, {"note": "wrong van"}, follow=True).content.decode()
    assert not MeterChange.objects.exists()
    assert foreman.post(address, {"note": "again"}).status_code == 404
    assert foreman.get("/vehicles/none/meters").status_code == 404


def test_a_stray_reading_is_moved_from_the_readings_page(foreman, van):
    meter = Reading.objects.filter(meter__vehicle__number=van).first().meter
    asked = ReadingFactory(meter=meter, raw_value=5.0, true_total=None, status="asked", source="driver")
    assert "Read off another vehicle" in foreman.get("/readings").content.decode()
    address = f"/readings/{asked.pk}/move"
    assert "There is no vehicle" in foreman.post(address, {"vehicle": "none"}, follow=True).content.decode()
    moved = foreman.post(address, {"vehicle": "K61"}, follow=True).content.decode()
    assert "is noted on K61 instead of K60" in moved
    assert Reading.objects.filter(meter__vehicle__number="K61", raw_value=5.0).exists()
