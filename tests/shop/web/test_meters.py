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
    assert "replaced on 1 Mar 2026" in done
    change = MeterChange.objects.get()
    address = f"/vehicles/{van}/meter-changes/{change.pk}/withdraw"
    assert "Say why" in foreman.post(address, {"note": ""}, follow=True).content.decode()
    assert "is taken back" in foreman.post(address, {"note": "wrong van"}, follow=True).content.decode()
    assert not MeterChange.objects.exists()
    page = foreman.get(f"/vehicles/{van}/meters").content.decode()
    assert "<s>replaced</s>: <s>100\u202f100</s> → <s>3</s>" in page
    assert ": wrong van</span>" in page
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


def test_a_reading_that_counts_is_moved_from_its_meters_page(foreman, van):
    counted = Reading.objects.filter(meter__vehicle__number=van).latest("read_at")
    there = Reading.objects.filter(meter__vehicle__number="K61")
    there.filter(read_at=counted.read_at).delete()
    assert f"/readings/{counted.pk}/move" in foreman.get(f"/vehicles/{van}/meters").content.decode()
    answer = foreman.post(f"/readings/{counted.pk}/move", {"vehicle": "K61"}, follow=True)
    assert "is noted on K61 instead of K60" in answer.content.decode()
    assert answer.redirect_chain[-1][0] == f"/vehicles/{van}/meters"
    counted.refresh_from_db()
    assert (counted.status, counted.answer) == ("refused", "other vehicle K61")
    assert there.filter(read_at=counted.read_at, status="accepted").exists()
    assert f"/readings/{counted.pk}/move" not in foreman.get(f"/vehicles/{van}/meters").content.decode()


@pytest.mark.parametrize("vehicle", ["", "K61\x00", "K" * 300])
def test_a_vehicle_that_cannot_be_is_told(foreman, van, vehicle):
    counted = Reading.objects.filter(meter__vehicle__number=van).latest("read_at")
    answer = foreman.post(f"/readings/{counted.pk}/move", {"vehicle": vehicle}, follow=True)
    assert "There is no vehicle" in answer.content.decode()
    counted.refresh_from_db()
    assert counted.status == "accepted"
