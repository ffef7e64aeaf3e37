"""Daily runs over the API."""

import datetime

import pytest
from celery import current_app
from kombu.exceptions import OperationalError

from shop.api.runs import DAILY_RUN


class Queue:
    """Takes the place of the task and notes what it was asked for."""

    def __init__(self, error: Exception | None = None) -> None:
        self.asked: list[tuple[str, str]] = []
        self.error = error

    def delay(self, depot_code: str, as_of: str) -> None:
        if self.error:
            raise self.error
        self.asked.append((depot_code, as_of))


@pytest.fixture
def queue(monkeypatch):
    queue = Queue()
    current_app.loader.import_default_modules()
    monkeypatch.setitem(current_app.tasks, DAILY_RUN, queue)
    return queue


def test_a_run_is_asked_for_and_its_address_given(foreman, queue):
    answer = foreman.post("/api/v1/daily-runs", {"depot": "NORTH"}, format="json")
    assert answer.status_code == 202
    assert queue.asked == [("NORTH", "2026-03-09")]
    assert answer["Location"] == answer.json()["address"]
    run = foreman.get(answer["Location"]).json()
    assert (run["state"], run["steps"]) == ("done", {"due lines": {"rows": 1}})


def test_today_is_the_depots_own_day(foreman, queue, north):
    # 07:00 UTC on the 9th is 20:00 on the 8th there (UTC−11)
    north.depot.time_zone = "Pacific/Pago_Pago"
    north.depot.save()
    north.depot.daily_runs.all().delete()
    foreman.post("/api/v1/daily-runs", {"depot": "NORTH"}, format="json")
    assert queue.asked == [("NORTH", "2026-03-08")]


def test_neither_an_earlier_nor_a_later_day_is_run(foreman, queue):
    earlier = foreman.post("/api/v1/daily-runs", {"depot": "NORTH", "as_of": "2026-03-01"}, format="json")
    assert earlier.status_code == 409
    assert "would overwrite" in earlier.json()["detail"]
    later = foreman.post("/api/v1/daily-runs", {"depot": "NORTH", "as_of": "2026-03-10"}, format="json")
    assert later.status_code == 400
    assert later.json()["errors"][0]["pointer"] == "#/as_of"
    assert queue.asked == []


def test_another_depots_run_cannot_be_started(foreman, queue, south):
    answer = foreman.post("/api/v1/daily-runs", {"depot": "SOUTH"}, format="json")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "#/depot"
    assert queue.asked == []


def test_a_queue_that_is_away_is_said_so(foreman, queue):
    queue.error = OperationalError("away")
    answer = foreman.post("/api/v1/daily-runs", {"depot": "NORTH"}, format="json")
    assert answer.status_code == 503
    assert answer["Content-Type"] == "application/problem+json"


def test_without_a_queue_the_run_is_through_when_the_answer_comes(foreman, north):
    north.run.delete()
    day = datetime.date(2026, 3, 9)
    answer = foreman.post("/api/v1/daily-runs", {"depot": "NORTH", "as_of": str(day)}, format="json")
    assert answer.status_code == 202
    run = foreman.get(answer["Location"]).json()
    assert run["state"] == "done"
    assert run["steps"]["due lines"]


def test_steps_are_told_in_the_order_they_are_done(foreman, north):
    north.run.steps = {"mails sent": {}, "order list": {}, "mails stored": {}, "due lines": {"rows": 1}}
    north.run.save()
    (run,) = foreman.get("/api/v1/daily-runs").json()["results"]
    assert list(run["steps"]) == ["due lines", "order list", "mails stored", "mails sent"]
