"""What the mail is gathered from."""

import datetime
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from notifications.selectors import digest_gather, people_to_tell
from shop.models import Hold
from tests.notifications.rows import (
    DAY,
    MORNING,
    a_depot,
    a_job,
    a_line,
    a_person,
    a_tank,
    an_asked_reading,
    an_order,
)

AT_HALF_PAST_5 = datetime.datetime.combine(DAY, datetime.time(5, 30))
pytestmark = pytest.mark.django_db


def a_morning(depot: Any) -> None:
    """Add one of everything the mail tells."""
    a_line(depot, "late")
    held = a_line(depot, "window open", overlays=["on hold"], due_on=DAY)
    Hold.objects.create(vehicle=held.vehicle, kind="recall", reason="new fluid", from_day=DAY)
    half = a_line(depot, "due", must_not_move=True, overlays=["must not move"])
    a_job(half, "empty", bay="B4", out_l=4.8, state_since=MORNING)
    a_job(a_line(depot, "due"), "booked", booked_for=MORNING)
    a_job(a_line(depot, "not yet"), "handed back", done_on=DAY - datetime.timedelta(days=1), in_l=10.0)
    a_job(a_line(depot, "late"), "no-show", booked_for=MORNING - datetime.timedelta(days=1))
    an_asked_reading(a_line(depot, "cannot say"), "51807", 5180.7)
    a_line(depot, "not yet", counted_from=datetime.date(2026, 1, 16))
    an_order(depot, facts={"blocked": [{"unit": "V9-TB6", "litres": 7.5, "reason": "banned"}]})
    a_tank(depot, 630, stream=f"used oil {depot.waste_tanks.count()}")


def test_a_morning_is_gathered_whole() -> None:
    depot = a_depot()
    a_morning(depot)
    told = digest_gather(a_person(depot), DAY)
    assert [(half.place, half.state, half.out_l, half.standing[:3]) for half in told.half_done] == [
        ("UY B4", "empty", 4.8, "due")
    ]
    assert told.half_done[0].since == AT_HALF_PAST_5  # CET is UTC+1: IANA tz database
    assert sorted(item.state for item in told.due) == ["due", "due", "late", "late", "window open"]
    assert [item.hold_reason for item in told.due if item.overlays == ("on hold",)] == ["new fluid"]
    assert [item.missed for item in told.due if item.missed] == [1]
    assert [item.booked for item in told.due if item.booked] == [AT_HALF_PAST_5]
    assert len(told.bookings) == 1
    assert [(order.packs, order.net_l, order.vehicles) for order in told.orders] == [
        ("1 × 60 L", 56.7, ("V1",))
    ]
    asks = " | ".join(question.ask for question in told.questions)
    assert all(words in asks for words in ["51807", "Swap the reserved", "45 days old", "no history"])
    # Reference calculation: 0.9·1000 − 42·5 − 1.645·24·√5 = 601.7 L, so 630 L is over it.
    assert [round(tank.call_level_l) for tank in told.tanks] == [602]
    assert (len(told.yesterday.closed), told.yesterday.in_l, len(told.yesterday.missed)) == (1, 10.0, 1)


def test_a_person_is_told_only_of_own_depots() -> None:
    own, other = a_depot("UY"), a_depot("LY")
    a_morning(own)
    a_morning(other)
    told = digest_gather(a_person(own), DAY)
    assert told.depots == ("Yard UY",)
    assert (len(told.half_done), len(told.bookings), len(told.orders), len(told.tanks)) == (1, 1, 1, 1)
    assert len(told.due) == 5


def test_the_number_of_queries_does_not_grow_with_the_fleet() -> None:
    depot = a_depot()
    person = a_person(depot)
    counts = []
    for _ in range(3):
        a_morning(depot)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            digest_gather(person, DAY)
        counts.append(len(queries))
    assert counts[0] == counts[1] == counts[2] <= 30


def test_a_missed_booking_no_longer_counts_once_the_job_is_done() -> None:
    line = a_line(a_depot(), "late")
    a_job(line, "no-show", booked_for=MORNING - datetime.timedelta(days=20))
    a_job(line, "handed back", done_on=DAY - datetime.timedelta(days=10))
    told = digest_gather(a_person(line.vehicle.depot), DAY)
    assert [item.missed for item in told.due] == [0]


def test_litres_of_a_job_without_any_are_missing_not_zero() -> None:
    line = a_line(a_depot(), "not yet")
    a_job(line, "handed back", done_on=DAY - datetime.timedelta(days=1))
    yesterday = digest_gather(a_person(line.vehicle.depot), DAY).yesterday
    assert (len(yesterday.closed), yesterday.unknown) == (1, 1)


def test_who_is_told() -> None:
    depot = a_depot()
    told = a_person(depot, username="told")
    chief = a_person(username="chief", is_superuser=True)
    a_person(depot, username="not-wanted", gets_daily_mail=False)
    a_person(depot, username="left", is_active=False)
    a_person(depot, username="no-address", email="")
    a_person(a_depot("LY"), username="elsewhere")
    assert list(people_to_tell(depot)) == [chief, told]
