"""One mail per person and day, about all of the person's depots."""

import datetime

import pytest

from notifications.models import Mail
from notifications.services.mails import FIGURES, mails_overdue, mails_store, run_failure_store
from shop import clock
from shop.models import DailyRun, Depot
from tests.notifications.rows import DAY, MORNING, a_depot, a_line, a_person

pytestmark = pytest.mark.django_db


def a_run(depot: Depot, *, is_ready: bool = True, state: str = "running") -> DailyRun:
    steps = {name: {} for name in FIGURES} if is_ready else {}
    return DailyRun.objects.create(
        depot=depot,
        as_of=DAY,
        steps=steps,
        state=state,
        started_at=MORNING,
        error="no such unit" if state == "failed" else "",
    )


def test_repeating_a_day_stores_nothing_new_and_the_next_day_does() -> None:
    depot = a_depot()
    a_person(depot)
    a_person(depot)
    a_run(depot)
    assert [mails_store(depot, DAY) for _ in range(3)] == [2, 0, 0]
    assert Mail.objects.count() == 2
    tomorrow = DAY + datetime.timedelta(days=1)
    DailyRun.objects.update(as_of=tomorrow)
    assert mails_store(depot, tomorrow) == 2


def test_a_person_of_two_depots_gets_one_mail_when_the_last_is_ready() -> None:
    first, last = a_depot("UY"), a_depot("LY")
    person = a_person(first, last)
    lines = [a_line(first), a_line(last)]
    a_run(first)
    a_run(last, is_ready=False)
    assert mails_store(first, DAY) == 0
    DailyRun.objects.filter(depot=last).update(steps={name: {} for name in FIGURES})
    assert (mails_store(last, DAY), mails_store(first, DAY)) == (1, 0)
    mail = Mail.objects.get(person=person)
    assert all(line.vehicle.number in mail.text and line.vehicle.number in mail.html for line in lines)


def test_a_failed_depot_is_not_waited_for_and_the_mail_says_so() -> None:
    first, last = a_depot("UY"), a_depot("LY")
    a_person(first, last)
    a_run(first)
    a_run(last, is_ready=False, state="failed")
    assert mails_store(first, DAY) == 1
    assert "run failed at LY" in Mail.objects.get().subject.replace("Daily ", "daily ")


def test_depot_of_another_part_of_the_world_does_not_hold_up_the_morning() -> None:
    # IANA time zone database: on 2 March 2026 05:30 is 04:30 UTC in Berlin and 13:30 UTC in Los Angeles.
    here, far = a_depot("UY"), a_depot("LA", time_zone="America/Los_Angeles")
    person = a_person(here, far)
    a_run(here)
    assert mails_store(here, DAY) == 1
    mail = Mail.objects.get(person=person)
    assert "Today's run is still to come at LA: lines from there are of an earlier day." in mail.text
    assert "is still to come at LA" in mail.html
    clock.pin(datetime.datetime(2026, 3, 2, 13, 35, tzinfo=datetime.UTC))
    a_run(far)
    assert mails_store(far, DAY) == 0


def test_depots_whose_hours_lie_close_together_are_told_of_in_one_mail() -> None:
    first, last = a_depot("UY"), a_depot("LY", daily_run_at=datetime.time(6, 30))
    a_person(first, last)
    a_run(first)
    assert mails_store(first, DAY) == 0
    last.daily_run_at = datetime.time(6, 31)
    last.save()
    assert mails_store(first, DAY) == 1


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Australia/Sydney"])
def test_depot_whose_run_never_starts_silences_nobody_for_longer_than_an_hour(zone: str) -> None:
    # Sydney's hour was long before: UTC+11 in March, IANA time zone database.
    first, never = a_depot("UY"), a_depot("LY", time_zone=zone)
    a_person(first, never)
    a_run(first, state="done")
    assert (mails_store(first, DAY), mails_overdue()) == (0, 0)
    clock.pin(MORNING + datetime.timedelta(minutes=59))
    assert mails_overdue() == 0
    clock.pin(MORNING + datetime.timedelta(minutes=60))
    assert [mails_overdue() for _ in range(2)] == [1, 0]
    assert "Today's run is still to come at LY" in Mail.objects.get().text


def test_both_depots_run_by_hand_late_in_the_day_still_give_one_whole_mail() -> None:
    clock.pin(MORNING + datetime.timedelta(hours=9))
    first, last = a_depot("UY"), a_depot("LY")
    a_person(first, last)
    DailyRun.objects.filter(pk=a_run(first).pk).update(started_at=clock.now())
    assert mails_store(first, DAY) == 0
    a_run(last)
    assert mails_store(last, DAY) == 1
    assert "still to come" not in Mail.objects.get().text


def test_failure_mail_names_the_steps_in_the_order_they_are_done() -> None:
    depot = a_depot()
    a_person(depot)
    run = a_run(depot, state="failed")
    # PostgreSQL's jsonb keeps shorter keys first: PostgreSQL manual, 8.14 JSON Types, from memory.
    DailyRun.objects.filter(pk=run.pk).update(
        steps={"mails sent": {}, "due lines": {}, "order list": {}, "mails stored": {}}
    )
    run.refresh_from_db()
    run_failure_store(run)
    assert "due lines, order list, mails stored, mails sent" in Mail.objects.get().text


def test_without_any_figures_there_is_only_the_word_that_the_run_failed_once() -> None:
    depot = a_depot()
    a_person(depot)
    run = a_run(depot, is_ready=False, state="failed")
    assert mails_store(depot, DAY) == 0
    assert [run_failure_store(run) for _ in range(2)] == [1, 0]
    mail = Mail.objects.get()
    assert "UY" in mail.subject
    assert all("no such unit" in part for part in (mail.text, mail.html))


def test_the_html_part_links_every_vehicle_and_escapes_what_people_typed(settings: object) -> None:
    settings.SITE_URL = "https://shop.example/"  # type: ignore[attr-defined]
    depot = a_depot()
    line = a_line(depot)
    line.vehicle.number = "<b>7"
    line.vehicle.save()
    a_person(depot)
    a_run(depot)
    mails_store(depot, DAY)
    html = Mail.objects.get().html
    assert f'<a href="https://shop.example/units/{line.unit.code}">&lt;b&gt;7</a>' in html
    assert "<table" not in html
    assert html.startswith("<!doctype html>")
